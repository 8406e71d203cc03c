"""The staff site in a real browser: by keyboard, what it does by itself, and what never runs there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, Page, expect

from reminders import words
from reminders.desk import staff
from reminders.desk.roles import Role
from tests.desk.office import PHONE, Office
from tests.web.browser import DESKTOP, TELEPHONE, page_of, tab_to
from tests.web.people import PASSWORD
from tests.web.server import Server

expect.set_options(timeout=15_000)
pytestmark = pytest.mark.usefixtures("english_again")
_COUNT_SOUNDS = """() => {
  window.sounds = 0;
  window.AudioContext = class extends AudioContext { constructor() { super(); window.sounds += 1; } };
}"""
PAYLOAD = "<img src=x onerror=alert(1)>"
WORDS = f"it is red and hot up to my ankle {PAYLOAD}"


@pytest.fixture
def ward(office: Office) -> Iterator[Office]:
    """Robin was enrolled and wrote what is pressing."""
    office.enroll(first_name=f"Robin{PAYLOAD}", factors=("diabetes",), visit="2026-06-24T09:30")
    office.dispatcher.run_once()
    office.reply(WORDS)
    yield office
    office.dispatcher.close()


@pytest.fixture
def spoken(request: pytest.FixtureRequest) -> str:
    """The language of all pages."""
    words.speak(request.param)
    return str(request.param)


IN_TWO_DIRECTIONS = pytest.mark.parametrize(
    ("spoken", "width"), [("en", DESKTOP), ("ar", TELEPHONE)], indirect=["spoken"], ids=["en", "ar"]
)


@IN_TWO_DIRECTIONS
def test_a_patient_is_enrolled_by_keyboard_in_twelve_keys(
    browser: Browser, server: Server, office: Office, spoken: str, width: int
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
        expect(page.get_by_role("heading", level=1)).to_contain_text("Robin Example")
        expect(page.locator('form[action$="/take-back"]')).to_be_visible()
        assert page.locator("html").get_attribute("lang") == spoken
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


def _fill_in_checkout(page: Page) -> None:
    page.goto("/staff/checkout")
    page.get_by_label("First name").fill("Robin")
    page.get_by_label("Mobile number").fill("312-555-0123")
    page.locator("#none").check()
    page.locator("#consent").check()


def test_neither_a_double_click_nor_loading_again_enrolls_twice(
    browser: Browser, server: Server, office: Office
) -> None:
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        _fill_in_checkout(page)
        page.evaluate("() => [0, 30].forEach((at) => setTimeout(() => document.querySelector('#enroll').click(), at))")
        expect(page.get_by_role("heading", level=1)).to_have_text("Robin is enrolled")
        page.reload()
        expect(page.get_by_role("heading", level=1)).to_have_text("Robin")
        expect(page.get_by_role("link", name="Sheet")).to_be_visible()
    assert len(office.dump()["enrollment"]) == 1


def test_what_has_the_focus_is_never_hidden_by_what_stays_at_the_edge(
    browser: Browser, server: Server, office: Office
) -> None:
    """WCAG 2.2, 2.4.11 (focus not obscured, minimum), which axe-core can't judge."""
    with page_of(browser, server, office, Role.FRONT_DESK, width=TELEPHONE) as page:
        page.goto("/staff/checkout")
        page.set_viewport_size({"width": TELEPHONE, "height": 560})
        hidden = []
        while not page.evaluate("document.activeElement.id === 'enroll'"):
            page.keyboard.press("Tab")
            hidden += page.evaluate(_HIDDEN)
    assert hidden == []


_HIDDEN = """() => {
  const at = document.activeElement, box = at.getBoundingClientRect();
  const across = [0.1, 0.5, 0.9].map((part) => box.left + part * box.width);
  const down = [0.1, 0.5, 0.9].map((part) => box.top + part * box.height);
  const seen = across.some((x) => down.some((y) => at.contains(document.elementFromPoint(x, y))));
  return seen ? [] : [at.outerHTML.slice(0, 80)];
}"""


def test_another_procedure_is_looked_at_before_anybody_is_enrolled_with_it(
    browser: Browser, server: Server, office: Office
) -> None:
    """The list of procedures alone changes nothing but the preview: the form asks what the plan needs."""
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        _fill_in_checkout(page)
        page.get_by_label("Procedure", exact=True).select_option("punch-biopsy")
        expect(page.locator("#preview .bubbles")).not_to_contain_text("numb")
        page.locator("#enroll").click()
        expect(page.get_by_role("alert")).to_contain_text("You chose another procedure")
        assert office.messages() == []
        expect(page.get_by_label("First name")).to_have_value("Robin")
        page.locator("#enroll").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Robin is enrolled")
        page.get_by_role("link", name="The course").click()
        expect(page.locator("main")).to_contain_text("Punch biopsy")


def test_whoever_was_here_before_is_found_while_typing(browser: Browser, server: Server, office: Office) -> None:
    office.enroll(first_name="Zoë", last_name="Quist")
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        page.goto("/staff/checkout")
        page.get_by_label("First name").fill("Zo")
        page.get_by_label("Next visit").fill("2026-06-24 09:30")
        page.get_by_label("Has diabetes").check()
        page.get_by_label("Was here before?").press_sequentially("quist")
        page.keyboard.press("Enter")
        page.get_by_role("button", name=re.compile("Zoë Quist")).click()
        expect(page.get_by_label("First name")).to_have_value("Zoë")
        expect(page.get_by_label("Mobile number")).to_have_value(PHONE)
        expect(page.get_by_label("Next visit")).to_have_value("2026-06-24 09:30")
        expect(page.get_by_label("Has diabetes")).to_be_checked()


@IN_TWO_DIRECTIONS
def test_a_concern_is_taken_and_closed_by_keyboard(
    browser: Browser, server: Server, ward: Office, spoken: str, width: int
) -> None:
    with page_of(browser, server, ward, Role.NURSE, width=width) as page:
        page.goto("/staff/concerns")
        tab_to(page, "#open-1")
        page.keyboard.press("Enter")
        expect(page.locator("#take")).to_be_visible()
        tab_to(page, "#take")
        page.keyboard.press("Enter")
        expect(page.locator(".work-form")).to_be_visible()
        tab_to(page, "input[name=outcome]")
        page.keyboard.press("Space")
        tab_to(page, "#note")
        page.keyboard.type("Comes in at 14:00")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator(".empty")).to_be_visible()
        assert page.locator("html").get_attribute("lang") == spoken
    assert ward.concerns()[0].outcome == "reached"


def test_an_open_list_shows_what_comes_in(browser: Browser, server: Server, office: Office) -> None:
    office.enroll()
    office.dispatcher.run_once()
    with page_of(browser, server, office, Role.NURSE) as page:
        page.goto("/staff/concerns")
        page.evaluate(_COUNT_SOUNDS)
        page.get_by_label(re.compile("Sound")).check()
        assert page.evaluate("sounds") == 1, "it is heard once when it is switched on"
        expect(page.locator("#live")).to_have_text("Updates by itself")
        office.reply(WORDS)
        expect(page.locator("#rows li")).to_have_count(1)
        expect(page).to_have_title(re.compile("New urgent concern"))
        expect(page.locator("#alarm")).to_have_text("A new urgent concern came in.")
        assert page.evaluate("sounds") == 2
    office.dispatcher.close()


def test_any_number_of_pages_follow_the_list_at_once(browser: Browser, server: Server, office: Office) -> None:
    """A browser keeps six connections to a server (HTTP/1.1), and every page that listens would hold one of them."""
    office.enroll()
    office.enroll(first_name="Amal", phone="312-555-0144")
    office.dispatcher.run_once()
    with page_of(browser, server, office, Role.NURSE) as page:
        pages = [page, *(page.context.new_page() for _ in range(6))]
        for each in pages:
            each.goto("/staff/concerns")
        office.reply(WORDS)
        for each in (pages[0], pages[-1]):
            expect(each.locator("#rows li")).to_have_count(1)
        pages[0].close()
        expect(pages[-1].locator("#live")).to_have_text("Updates by itself")
        office.reply(WORDS, sender="+13125550144")
        expect(pages[-1].locator("#rows li")).to_have_count(2)
    office.dispatcher.close()


def test_an_idle_page_hides_what_patients_wrote_and_keeps_what_was_typed(
    browser: Browser, server: Server, ward: Office
) -> None:
    with page_of(browser, server, ward, Role.NURSE) as page:
        page.goto("/staff/concerns/1")
        expect(page.locator("mark").first).to_be_visible()
        page.locator("#note").fill("Half a note")
        ward.clock.advance(timedelta(minutes=20))
        expect(page.get_by_role("heading", name="Signed out for now")).to_be_visible()
        assert "ankle" not in page.content()
        expect(page.locator("#locked-count")).to_contain_text("1 concerns wait")
        page.get_by_role("link", name="Sign in").click()
        page.get_by_label("Sign-in name").fill("nurse")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_text("Half a note")).to_be_visible()
        page.get_by_role("button", name="Send it now").click()
        expect(page.locator(".history .note-text").last).to_have_text("Half a note")


def test_what_is_half_typed_at_the_counter_outlasts_the_sign_in(
    browser: Browser, server: Server, office: Office
) -> None:
    """The preview asks the server at each change; that it is told of the end must not take the page away."""
    with page_of(browser, server, office, Role.FRONT_DESK) as page:
        page.goto("/staff/checkout")
        page.get_by_label("First name").fill("Robin")
        office.clock.advance(timedelta(minutes=20))
        page.get_by_label("Mobile number").fill("312-555-0123")
        expect(page.locator("#preview")).to_contain_text("Your sign-in ran out")
        page.locator("#none").check()
        page.locator("#consent").check()
        page.locator("#enroll").click()
        page.get_by_label("Sign-in name").fill("front_desk")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("button", name="Send it now").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Robin is enrolled")


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
