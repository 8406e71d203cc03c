"""A page asks the database a few questions, and no more of them for many patients than for few."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import httpx
import pytest

from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.desk.test_query_plans import statements
from tests.web.patients import opened, practice_with_pages, way_to
from tests.web.people import browser_of, csrf_in
from tests.web.programs import program
from tests.web.server import serving

SMALL = "punch-biopsy"
Ask = Callable[[], httpx.Response]
MOST: Mapping[str, int] = {
    "concerns": 5,
    "concerns/list": 3,
    "concerns/closed": 3,
    "concerns/1": 15,
    "courses/1": 18,
    "courses/1/change": 16,
    "courses/1/record": 16,
    "courses/1/record.json": 16,
    "courses/1/sheet": 11,
    "checkout": 4,
    "today": 11,
    "waiting": 3,
    "plans": 3,
    f"plans/{SMALL}": 4,
    "settings": 3,
    "settings/practice": 5,
    "settings/changes": 4,
    "settings/programs": 3,
    "audit": 8,
    "account": 2,
    "search": 12,
    "the patient's page": 9,
    "/enrollments/1": 7,
    "/enrollments/1/record": 16,
    "/enrollments/1/messages": 7,
    "/patients/1/consents": 7,
    "/messages?limit=50": 7,
    "/concerns": 9,
    "/concerns/1": 9,
}
"""Statements of each page and call: two ask for changed settings and who it is, two note the look in the trail."""


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """A practice that serves patients' pages."""
    with practice_with_pages(tmp_path, empty_database) as practice:
        yield practice


def come_in(office: Office, numbers: range) -> None:
    """Enroll patients who write twice."""
    for number in numbers:
        office.enroll(first_name=f"Robin{number}", phone=f"312-555-01{number:02}", factors=("diabetes",))
        office.dispatcher.run_once()
        for text in ("it is red and hot up to my ankle", "there is pus"):
            office.reply(text, sender=f"+131255501{number:02}")


def count(office: Office, asks: Mapping[str, Ask]) -> dict[str, int]:
    """How many statements each takes that asked before, so that plans, names and templates were read."""
    found = {}
    for name, ask in asks.items():
        assert ask().status_code == 200, name
        with statements(office, many=True) as seen:
            ask()
        found[name] = len(seen)
    return found


def test_no_page_asks_for_each_patient_by_itself(office: Office) -> None:
    come_in(office, range(2))
    with (
        serving(office.app) as server,
        browser_of(server, office, Role.CLINICIAN, Role.ADMINISTRATOR) as staff,
        opened(server, way_to(office)) as patient,
        program(server, office) as other_program,
    ):
        token, own_page = csrf_in(staff.get("/staff/account")), way_to(office).path

        def asking(name: str) -> Ask:
            if name == "search":
                return lambda: staff.post("/staff/patients", data={"csrf": token, "search": "robin"})
            if name == "the patient's page":
                return lambda: patient.get(own_page)
            client, below = (other_program, "") if name.startswith("/") else (staff, "/staff/")
            return lambda: client.get(below + name)

        asks = {name: asking(name) for name in MOST}
        with_few = count(office, asks)
        come_in(office, range(2, 8))
        with_many = count(office, asks)
    assert {name: number for name, number in with_few.items() if number > MOST[name]} == {}
    assert with_many == with_few
