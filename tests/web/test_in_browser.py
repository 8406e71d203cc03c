"""The staff site in a real browser: by keyboard, with and without scripts, in both themes, on telephone and desktop."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from reminders.desk import staff
from reminders.desk.roles import Role
from tests.desk.office import PHONE, Office
from tests.web.browser import DESKTOP, TELEPHONE, chromium, overflow, page_of, violations
from tests.web.people import PASSWORD
from tests.web.server import Server

expect.set_options(timeout=15_000)
PAYLOAD = "<img src=x onerror=alert(1)>"
WORDS = f"it is red and hot up to my ankle {PAYLOAD}"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of this file."""
    with chromium() as running:
        yield running


@pytest.fixture
def ward(office: Office) -> Iterator[Office]:
    """Robin was enrolled and wrote what is pressing."""
    office.enroll(first_name=f"Robin{PAYLOAD}", factors=("diabetes",), visit="2026-06-24T09:30")
    office.dispatcher.run_once()
    office.reply(WORDS)
    yield office
    office.dispatcher.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [DESKTOP, TELEPHONE])
def test_every_page_holds_wcag_and_fits(browser: Browser, server: Server, ward: Office, theme: Any, width: int) -> None:
    """WCAG 2.2 AA as far as axe-core judges it; 1.4.10 (reflow): nothing is cut off at 375 px."""
    with ward.database.writing() as session:
        welcome = staff.first_link(session, ward.desk)
    pages = (
        "/staff/concerns", "/staff/concerns/1", "/staff/concerns/closed", "/staff/checkout", "/staff/today",
        "/staff/patients", "/staff/courses/1", "/staff/courses/1/change", "/staff/courses/1/record",
        "/staff/courses/1/sheet", "/staff/plans", "/staff/settings", "/staff/account", "/staff/sign-in",
        "/staff/settings/programs", f"/staff/welcome/{welcome}",
    )  # fmt: skip
    wrong = []
    with page_of(browser, server, ward, Role.CLINICIAN, Role.ADMINISTRATOR, width=width, theme=theme) as page:
        for path in pages:
            page.goto(path)
            wrong += [f"{path}: {each}" for each in violations(page)]
            if overflow(page) > 0:
                wrong.append(f"{path}: {overflow(page)} px too wide")
    assert wrong == []


@pytest.mark.parametrize("width", [DESKTOP, TELEPHONE])
def test_a_patient_is_enrolled_by_keyboard_in_twelve_keys(
    browser: Browser, server: Server, office: Office, width: int
) -> None:
    with page_of(browser, server, office, Role.FRONT_DESK, width=width) as page:
        page.goto("/staff/checkout")
        pressed = 0

        def press(*keys: str) -> None:
            nonlocal pressed
            for key in keys:
                page.keyboard.press(key)
                pressed += 1

        page.keyboard.type("Robin")
        press("Tab")
        page.keyboard.type("Example")
        press("Tab")
        page.keyboard.type("312-555-0123")
        press("Tab", "Tab", "Tab", "Tab")
        press("Tab", "Space", "Tab", "Space", "Enter")
        expect(page.get_by_role("heading", level=1)).to_have_text("Robin Example is enrolled")
        assert pressed <= 12


def test_the_preview_follows_what_is_typed(browser: Browser, server: Server, office: Office) -> None:
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        page.goto("/staff/checkout")
        page.get_by_label("First name").fill("Robin")
        page.get_by_label("Mobile number").fill("312-555-01")
        expect(page.locator(".phone-says")).to_have_class(re.compile("bad"))
        page.get_by_label("Mobile number").fill("312-555-0123")
        expect(page.locator(".phone-says")).to_contain_text("+1 312-555-0123")
        page.get_by_label("Language").select_option("es")
        expect(page.locator("#preview .bubbles")).to_contain_text("Responda")


def test_whoever_was_here_before_is_found_while_typing(browser: Browser, server: Server, office: Office) -> None:
    office.enroll(first_name="Zoë", last_name="Quist")
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        page.goto("/staff/checkout")
        page.get_by_label("Was here before?").press_sequentially("quist")
        page.get_by_role("button", name=re.compile("Zoë Quist")).click()
        expect(page.get_by_label("First name")).to_have_value("Zoë")
        expect(page.get_by_label("Mobile number")).to_have_value(PHONE)


def test_a_concern_is_taken_and_closed_by_keyboard(browser: Browser, server: Server, ward: Office) -> None:
    with page_of(browser, server, ward, Role.NURSE) as page:
        page.goto("/staff/concerns")
        _tab_to(page, "#open-1")
        page.keyboard.press("Enter")
        expect(page.locator("#take")).to_be_visible()
        _tab_to(page, "#take")
        page.keyboard.press("Enter")
        expect(page.locator(".holder")).to_have_text("You have it.")
        _tab_to(page, "input[name=outcome]")
        page.keyboard.press("Space")
        _tab_to(page, "#note")
        page.keyboard.type("Comes in at 14:00")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator(".empty")).to_have_text("Nobody waits for a call.")
    assert ward.concerns()[0].outcome == "reached"


def test_an_open_list_shows_what_comes_in(browser: Browser, server: Server, office: Office) -> None:
    office.enroll()
    office.dispatcher.run_once()
    with page_of(browser, server, office, Role.NURSE) as page:
        page.goto("/staff/concerns")
        page.get_by_label(re.compile("Sound")).check()
        expect(page.locator("#live")).to_have_text("Updates by itself")
        office.reply(WORDS)
        expect(page.locator("#rows li")).to_have_count(1)
        expect(page).to_have_title(re.compile("New urgent concern"))
        expect(page.locator("#alarm")).to_have_text("A new urgent concern came in.")
    office.dispatcher.close()


def test_an_idle_page_hides_what_patients_wrote(browser: Browser, server: Server, ward: Office) -> None:
    with page_of(browser, server, ward, Role.NURSE) as page:
        page.goto("/staff/concerns/1")
        expect(page.locator("mark").first).to_be_visible()
        ward.clock.advance(timedelta(minutes=20))
        expect(page.get_by_role("heading", name="Signed out for now")).to_be_visible()
        assert "ankle" not in page.content()
        expect(page.locator("#locked-count")).to_contain_text("1 concerns wait")


def test_everything_works_without_scripts(browser: Browser, server: Server, ward: Office) -> None:
    with page_of(browser, server, ward, Role.NURSE, scripts=False, width=TELEPHONE) as page:
        page.goto("/staff/concerns")
        page.locator("#open-1").click()
        page.locator("#take").click()
        page.get_by_label("Reached").check()
        page.get_by_role("button", name="Close it").click()
        page.goto("/staff/checkout")
        page.get_by_label("First name").fill("Kim")
        page.get_by_label("Mobile number").fill("312-555-0155")
        page.get_by_label(re.compile("none of these")).check()
        page.get_by_role("button", name="Look first").click()
        expect(page.locator("#preview")).to_contain_text("First messages")
        page.get_by_label(re.compile("patient agreed")).check()
        page.get_by_role("button", name="Enroll").click()
        page.get_by_role("button", name=re.compile("Undo")).click()
        expect(page.get_by_role("status")).to_contain_text("was taken back")
        page.goto("/staff/courses/1/change")
        page.get_by_label("Visit", exact=True).fill("2026-06-25 10:00")
        page.get_by_role("button", name="Show what becomes different").click()
        expect(page.locator(".diff")).to_contain_text("visit")
        page.get_by_role("button", name="Save this").click()
        expect(page.get_by_role("status")).to_have_text("The course was changed.")


def test_somebody_signs_in_by_their_own_hand(browser: Browser, server: Server, office: Office) -> None:
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
    with page_of(browser, server, office) as page:
        page.goto(f"/staff/welcome/{token}")
        page.get_by_label(re.compile("Your name")).fill("Ada Admin")
        page.get_by_label("Sign-in name").fill("ada")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Begin").click()
        expect(page.get_by_role("heading", name="Settings")).to_be_visible()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_label("Sign-in name").fill("ada")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", name="Settings")).to_be_visible()


def _tab_to(page: Page, selector: str) -> None:
    """Press Tab until an element has the focus, as somebody without a mouse does."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("wanted => document.activeElement?.matches(wanted)", selector):
            return
    pytest.fail(f"Tab never reaches {selector}")
