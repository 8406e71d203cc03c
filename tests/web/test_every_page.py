"""Every page of every role in a real browser: in every language, width and theme it holds WCAG 2.2 AA and fits.

A page is loaded once in each language, and its window and theme change while it is open.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest
from fastapi.routing import APIRoute
from playwright.sync_api import Browser, Page, expect

from reminders import words
from reminders.desk import staff
from reminders.desk.roles import Role
from reminders.desk.waiting import take_in
from reminders.web.staff import ROUTERS
from reminders.wording.languages import direction_of
from tests.desk.office import Office, open_office
from tests.exchange.test_hl7_reading import A04
from tests.web.browser import faults, looks_in, page_of
from tests.web.patients import ADDRESS
from tests.web.people import NAMES, employ
from tests.web.server import Server, serving

pytestmark = pytest.mark.usefixtures("english_again")
SMALL = "punch-biopsy"
"""The plan with the fewest texts: axe-core takes ten times as long for the longest."""
PAGES: Mapping[Role, tuple[str, ...]] = {
    Role.FRONT_DESK: (
        "checkout", "patients", "waiting", "courses/2", "courses/1/change", "courses/2/sheet", "concerns/1", "account",
    ),
    Role.NURSE: (
        "concerns", "concerns/1", "concerns/2", "concerns/closed", "courses/1", "courses/1/record", "today",
    ),
    Role.CLINICIAN: ("plans", f"plans/{SMALL}", f"plans/{SMALL}/compare", f"plans/{SMALL}/check"),
    Role.ADMINISTRATOR: (
        "settings", "settings/practice", "settings/opening_hours", "settings/contact", "settings/duty",
        "settings/changes", "settings/programs", "audit", "courses/99",
    ),
}  # fmt: skip
"""Under `/staff/`, what each role works with; `concerns/1` of the front desk and `courses/99` say that it can't be."""


DUTY = {"nora": {"name": NAMES[Role.NURSE], "phone": "312-555-0151"}}
BEFORE = ("sign-in", "welcome/{welcome}", "welcome/used")
"""What stands before somebody signs in."""
NO_PAGES = {
    "": "leads on",
    "go-on": "in test_in_browser.py, after an idle sign-in",
    "concerns/stream": "events",
    "concerns/list": "a part of the list's page",
    "courses/{enrollment_id}/record.pdf": "a file",
    "courses/{enrollment_id}/record.json": "a file",
}


@dataclass(frozen=True)
class House:
    """A practice that two patients wrote to, each in their language."""

    office: Office
    server: Server
    people: Mapping[Role, int]
    welcome: str
    """Of somebody who was invited."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[House]:
    """One for all tests here, as they change nothing in it."""
    folder = tmp_path_factory.mktemp("house")
    database = Path(shutil.copy(empty_database, folder / "reminders.sqlite3"))
    office = open_office(folder, database, "2026-06-10T10:30", web={"address": ADDRESS}, duty={"people": DUTY})
    office.enroll(factors=("diabetes",), visit="2026-06-24T09:30")
    office.enroll(first_name="Amal", phone="312-555-0144", language="ar")
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle, is it (normal)?")
    office.reply("أشعر بألم شديد", sender="+13125550144")
    with office.database.writing() as session:
        welcome = staff.first_link(session, office.desk)
        take_in(session, office.desk, A04.encode())
    people = {role: employ(office, role, name=f"{NAMES[role]} de la Fuente-Hohenschwangau y Vega") for role in Role}
    with serving(office.app) as server:
        yield House(office, server, people, welcome or "")
    office.dispatcher.close()
    office.database.close()


@pytest.fixture(params=words.available())
def spoken(request: pytest.FixtureRequest) -> str:
    """The language of the pages: each that staff can choose."""
    words.speak(request.param)
    return str(request.param)


def test_no_page_of_staff_is_left_out() -> None:
    routes = [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]
    opened = [route for route in routes if "GET" in (route.methods or ())]
    tried = [f"/staff/{path}" for path in (*BEFORE, *(path for paths in PAGES.values() for path in paths))]
    left = [route.path for route in opened if not any(route.path_regex.match(path) for path in tried)]
    assert {path.removeprefix("/staff/") for path in left} == set(NO_PAGES)


@pytest.mark.parametrize("role", list(Role))
def test_every_page_of_a_role_holds_wcag_and_fits(browser: Browser, house: House, spoken: str, role: Role) -> None:
    """3.1.1 and 1.3.2 as well: a page says which language it speaks, and from which side it is read."""
    staff_id = house.people[role]
    with page_of(browser, house.server, house.office, role, staff_id=staff_id) as page:
        assert [each for path in PAGES[role] for each in _looked_at(page, path, spoken)] == []


def test_the_pages_before_signing_in_hold_wcag_and_fit(browser: Browser, house: House, spoken: str) -> None:
    with page_of(browser, house.server, house.office) as page:
        paths = [path.format(welcome=house.welcome) for path in BEFORE]
        assert [each for path in paths for each in _looked_at(page, path, spoken)] == []


def _looked_at(page: Page, path: str, spoken: str) -> list[str]:
    page.goto(f"/staff/{path}")
    page.locator("details").evaluate_all("all => all.forEach(each => { each.open = true })")
    # The sheet is the patient's: in the language of the plan that is nearest to theirs.
    language = "en" if path.endswith("/sheet") else spoken
    expect(page.locator("html")).to_have_attribute("lang", language)
    expect(page.locator("html")).to_have_attribute("dir", direction_of(language))
    return faults(page, path, looks_in(spoken))


@pytest.mark.parametrize("spoken", ["ar"], indirect=True)
def test_what_another_wrote_keeps_its_own_direction(browser: Browser, house: House, spoken: str) -> None:
    """Words as their language is read, and telephone numbers from the left, on a page that is read from the right."""
    with page_of(browser, house.server, house.office, Role.NURSE, staff_id=house.people[Role.NURSE]) as page:
        page.goto("/staff/concerns/1")
        said = page.locator(".said blockquote").first
        assert said.evaluate(_DIRECTION) == "ltr"
        assert page.locator(".sent span[lang=en]").first.evaluate(_DIRECTION) == "ltr"
        assert page.locator(".reach a").evaluate(_PLACES, "+1 312-555-0123") == "ltr"
        page.goto("/staff/concerns/2")
        assert page.locator(".said blockquote").first.evaluate(_DIRECTION) == "rtl"
        page.goto("/staff/courses/1")
        days = [float(each.get_attribute("x") or 0) for each in page.locator("svg.course text.day").all()]
        assert days == sorted(days, reverse=True), "days follow one another as the page is read"


_DIRECTION = "each => getComputedStyle(each).direction"
_PLACES = """(each, said) => {
  const words = document.createTreeWalker(each, NodeFilter.SHOW_TEXT);
  while (words.nextNode()) {
    const begin = words.currentNode.data.indexOf(said);
    if (begin < 0) continue;
    const [first, last] = [begin, begin + said.length - 1].map((at) => {
      const range = document.createRange();
      range.setStart(words.currentNode, at);
      range.setEnd(words.currentNode, at + 1);
      return range.getBoundingClientRect().left;
    });
    return first < last ? "ltr" : "rtl";
  }
}"""
"""On which side of its last character the first one of some words stands."""
