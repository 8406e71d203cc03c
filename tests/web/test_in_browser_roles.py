"""A day of each role in a real browser: with and without scripts, wide and narrow, light and dark, in every language.

Each deed runs as each role that may do it. The surroundings let every pair of scripts, width, theme and language meet,
and no deed knows a word of the page: it goes by names of fields, which are the same in every language.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from reminders.desk.roles import Role
from reminders.wording.languages import direction_of
from tests.desk.office import Office, open_office
from tests.web.browser import DESKTOP, TELEPHONE, overflow, page_of
from tests.web.server import Server, serving

expect.set_options(timeout=15_000)
pytestmark = pytest.mark.usefixtures("english_again")


SMALL = "punch-biopsy"
"""The plan whose page is made soonest."""


@dataclass(frozen=True)
class Around:
    """What a deed is done in."""

    width: int
    theme: Any
    scripts: bool
    language: str


AROUND = {
    "wide-light-scripts-en": Around(DESKTOP, "light", scripts=True, language="en"),
    "narrow-dark-scripts-es": Around(TELEPHONE, "dark", scripts=True, language="es"),
    "narrow-light-plain-en": Around(TELEPHONE, "light", scripts=False, language="en"),
    "wide-dark-plain-es": Around(DESKTOP, "dark", scripts=False, language="es"),
    "narrow-dark-scripts-ar": Around(TELEPHONE, "dark", scripts=True, language="ar"),
    "wide-light-plain-ar": Around(DESKTOP, "light", scripts=False, language="ar"),
}
Deed = Callable[[Page, Office], None]


def enrolls(page: Page, office: Office) -> None:
    """Fill in the form of the counter, see what will happen, print the sheet, and take the enrollment back."""
    page.goto("/staff/checkout")
    page.locator("#first_name").fill("Kim")
    page.locator("#phone").fill("312-555-0155")
    page.locator("#none").check()
    if page.locator("noscript button").count():
        page.locator("noscript button").click()
    expect(page.locator(".phone-says")).to_contain_text("+1 312-555-0155")
    page.locator("#consent").check()
    page.locator("#enroll").click()
    expect(page.locator('form[action$="/take-back"]')).to_be_visible()
    with page.expect_popup() as sheet:
        page.locator('a[href$="/sheet"]').click()
    expect(sheet.value.locator("body")).to_contain_text("Kim")
    sheet.value.close()
    page.locator('form[action$="/take-back"] button').click()
    expect(page.get_by_role("status")).to_be_visible()
    assert {each.state for each in office.messages(2)} <= {"cancelled", "at_checkout", "joined", "withheld"}


def changes_facts(page: Page, office: Office) -> None:
    """Change the visit: first the difference, then the change."""
    page.goto("/staff/courses/1")
    page.locator('a[href$="/change"]').click()
    page.locator("#visit").fill("2026-06-25 10:00")
    page.locator("form.card button:not([formaction])").last.click()
    expect(page.locator(".diff")).to_contain_text("visit")
    page.locator("section.card form button.deed").click()
    expect(page.get_by_role("status")).to_be_visible()
    assert office.course(1).visit is not None
    assert any(each.state == "scheduled" and each.key == "visit" for each in office.messages(1))


def looks_around(page: Page, office: Office) -> None:
    """See the day, and find the patient."""
    page.goto("/staff/today")
    expect(page.locator(".tiles li")).to_have_count(4)
    page.goto("/staff/patients")
    page.locator("main input[name=search]").fill("robin")
    page.locator("main form button").first.click()
    page.locator('main a[href="/staff/courses/1"]').first.click()
    expect(page.locator("svg.course")).to_be_visible()


def works_off_a_concern(page: Page, office: Office) -> None:
    """Take the concern, call, write down how it ended."""
    page.goto("/staff/concerns")
    page.locator("#open-1").click()
    page.locator("#take").click()
    expect(page.locator(".holder strong")).to_be_visible()
    page.locator('input[name=outcome][value="reached"]').check()
    page.locator("#note").fill("Comes in at 14:00")
    page.locator(".work-form button.deed").click()
    expect(page.locator(".rows li")).to_have_count(0)
    assert [each.outcome for each in office.concerns()] == ["reached"]


def steers_the_course(page: Page, office: Office) -> None:
    """Send a message again, pause, resume, end, and read the chart record with consent and what was done."""
    page.goto("/staff/courses/1")
    page.locator('form[action$="/again"] button').first.click()
    expect(page.get_by_role("status")).to_be_visible()
    for deed in ("pause", "resume"):
        page.locator("#reason").fill("asked for it")
        page.locator(f'button[formaction$="/{deed}"]').click()
        expect(page.get_by_role("status")).to_be_visible()
    page.locator('button[formaction$="/end"]').click()
    page.locator("#why-end").fill("moved away")
    page.locator('form[action$="/end"] button.grave').last.click()
    expect(page.get_by_role("status")).to_be_visible()
    page.locator('a[href$="/record"]').click()
    expect(page.locator("main")).to_contain_text("it is red and hot")
    assert not [each for each in office.messages(1) if each.state == "scheduled"]


def approves_a_plan(page: Page, office: Office) -> None:
    """Read a plan and approve it."""
    page.goto(f"/staff/plans/{SMALL}")
    expect(page.locator(".prose blockquote[lang=es]").first).to_be_visible()
    page.locator("input[name=read]").check()
    page.locator("#approve button.deed").click()
    expect(page.get_by_role("status")).to_be_visible()
    with office.database.reading() as session:
        assert session.connection().exec_driver_sql("SELECT approved_by FROM approval").scalar() == "Cleo Clinician"


def runs_the_practice(page: Page, office: Office) -> None:
    """Change a number, see it refused and then saved; put it back; invite somebody."""
    page.goto("/staff/settings")
    page.locator('a[href="/staff/settings/practice"]').click()
    page.locator("#name").fill("")
    page.locator("#phone").fill("312-555-0177")
    page.locator("form.settings button.deed").click()
    expect(page.locator("#name")).to_have_attribute("aria-invalid", "true")
    page.locator("#name").fill("Example Foot Care")
    page.locator("form.settings button.deed").click()
    expect(page.get_by_role("status")).to_be_visible()
    assert office.app.config.practice.phone == "312-555-0177"
    page.locator('form[action$="/to-file"] button').click()
    expect(page.locator("section.card")).to_have_count(2)
    page.goto("/staff/settings")
    page.locator("#name").fill("Pat Person")
    page.locator("#login").fill("pat")
    page.locator('form[action="/staff/settings/people"] input[value=nurse]').check()
    page.locator('form[action="/staff/settings/people"] button.deed').click()
    expect(page.locator(".secret code")).to_contain_text("/staff/welcome/")


AT_THE_COUNTER = (enrolls, changes_facts, looks_around)
WITH_CONCERNS = (works_off_a_concern, steers_the_course)
DAY: tuple[tuple[Role, tuple[Deed, ...]], ...] = (
    (Role.FRONT_DESK, AT_THE_COUNTER),
    (Role.CLINICIAN, (approves_a_plan,)),
    (Role.NURSE, WITH_CONCERNS),
    (Role.ADMINISTRATOR, (runs_the_practice,)),
)
"""What each role is there for, in an order in which one leaves the next what it needs; done in all surroundings."""
SHARED = (
    (Role.NURSE, "narrow-light-plain-en", AT_THE_COUNTER),
    (Role.CLINICIAN, "wide-light-scripts-en", AT_THE_COUNTER),
    (Role.CLINICIAN, "narrow-dark-scripts-es", WITH_CONCERNS),
)
"""What a role does besides, once."""


@contextmanager
def ward(folder: Path, empty_database: Path, language: str) -> Iterator[Office]:
    """A practice whose staff read `language`; Robin was enrolled and wrote what is pressing."""
    database = Path(shutil.copy(empty_database, folder / "reminders.sqlite3"))
    practice = {
        "name": "Example Foot Care", "zone": "America/Chicago", "phone": "312-555-0100",
        "email": "office@example.org", "staff_language": language,
    }  # fmt: skip
    office = open_office(folder, database, "2026-06-10T10:30", practice=practice)
    office.enroll(factors=("diabetes",), visit="2026-06-24T09:30")
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle")
    try:
        yield office
    finally:
        office.dispatcher.close()
        office.database.close()


@pytest.mark.parametrize("around", AROUND)
def test_a_days_work_of_every_role(browser: Browser, tmp_path: Path, empty_database: Path, around: str) -> None:
    here = AROUND[around]
    with ward(tmp_path, empty_database, here.language) as office, serving(office.app) as server:
        for role, deeds in DAY:
            with signed_in(browser, server, office, role, here) as page:
                _work(page, office, deeds, here)
                for path in ("/staff/audit", "/staff/settings", "/staff/checkout", "/staff/concerns"):
                    shown = page.locator(f'.top nav a[href="{path}"]').count()
                    assert page.request.get(path).status == (200 if shown else 403), (role, path)


@pytest.mark.parametrize(("role", "around", "deeds"), SHARED)
def test_what_a_role_may_do_besides(
    browser: Browser, tmp_path: Path, empty_database: Path, *, role: Role, around: str, deeds: tuple[Deed, ...]
) -> None:
    here = AROUND[around]
    with (
        ward(tmp_path, empty_database, here.language) as office,
        serving(office.app) as server,
        signed_in(browser, server, office, role, here) as page,
    ):
        _work(page, office, deeds, here)


def signed_in(
    browser: Browser, server: Server, office: Office, role: Role, here: Around
) -> AbstractContextManager[Page]:
    """A page of somebody with this role, in these surroundings."""
    return page_of(browser, server, office, role, width=here.width, theme=here.theme, scripts=here.scripts)


def _work(page: Page, office: Office, deeds: Sequence[Deed], here: Around) -> None:
    for deed in deeds:
        deed(page, office)
        assert page.locator("html").get_attribute("lang") == here.language
        assert page.locator("html").get_attribute("dir") == direction_of(here.language)
        assert overflow(page) == 0


def test_a_text_in_another_language_says_which(browser: Browser, tmp_path: Path, empty_database: Path) -> None:
    """WCAG 2.2, 3.1.2 (language of parts); what patients write is read from the side where it begins."""
    with (
        ward(tmp_path, empty_database, "en") as office,
        serving(office.app) as server,
        page_of(browser, server, office, Role.CLINICIAN) as page,
    ):
        office.enroll(first_name="Amal", phone="312-555-0144", language="es")
        office.dispatcher.run_once()
        office.reply("أشعر بألم شديد", sender="+13125550144")
        page.goto("/staff/courses/2")
        assert page.locator(".messages .text").count() == page.locator(".messages .text[lang=es][dir=ltr]").count() > 5
        assert page.locator(".history [dir=auto]").first.evaluate("each => getComputedStyle(each).direction") == "rtl"
        page.goto("/staff/courses/2/record")
        assert page.locator("span[lang=es]").count() > 5
        page.goto(f"/staff/plans/{SMALL}")
        assert page.locator("blockquote[lang=es]").count() > 10
        page.goto("/staff/concerns/2")
        expect(page.locator(".sent span[lang=es]").first).to_be_visible()
        assert page.locator(".said blockquote").first.evaluate("each => getComputedStyle(each).direction") == "rtl"
