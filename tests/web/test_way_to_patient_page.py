"""How staff give a patient the way to their page: on the course's page, on the sheet, and anew when it was lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from reminders.desk.patient_page import MOST_TRIES
from reminders.desk.roles import Role
from reminders.records.patient_pages import set_page
from tests.build import LEAD
from tests.desk.office import Office
from tests.web.patients import ADDRESS, practice_with_pages, way_to
from tests.web.people import browser_of, send
from tests.web.server import Server, serving

PAGE = "/staff/courses/1"


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """The practice on a Wednesday at 10:30, with pages for patients; Robin was just treated."""
    with practice_with_pages(tmp_path, empty_database) as office:
        office.enroll()
        yield office


@pytest.fixture
def fay(office: Office, server: Server) -> Iterator[httpx.Client]:
    """Fay Desk at the counter."""
    with browser_of(server, office, Role.FRONT_DESK) as browser:
        yield browser


def test_the_front_desk_reads_link_and_code_from_the_course(fay: httpx.Client, office: Office) -> None:
    page, way = fay.get(PAGE).text, way_to(office)
    assert f"{ADDRESS}{way.path}" in page
    assert way.code in page


def test_the_code_is_told_at_checkout(fay: httpx.Client, office: Office) -> None:
    typed = {"first_name": "Kim", "last_name": "Example", "phone": "312-555-0155", "language": "en", "factor": "none"}
    done = send(fay, "/staff/checkout", page="/staff/checkout", procedure=LEAD, consent="on", **typed)
    assert "<bdi>Kim Example</bdi> is enrolled" in done.text
    assert way_to(office, 2).code in done.text


def test_the_sheet_carries_both_with_a_qr_code(fay: httpx.Client, office: Office) -> None:
    sheet, way = fay.get(f"{PAGE}/sheet"), way_to(office)
    assert f"{ADDRESS}{way.path}" in sheet.text
    assert way.code in sheet.text
    assert '<path class="qrline"' in sheet.text
    assert "Your page" in sheet.text


def test_a_new_link_is_given_where_the_page_is_locked(fay: httpx.Client, office: Office, server: Server) -> None:
    with office.database.writing() as session:
        set_page(session, 1, failures=MOST_TRIES)
    old = way_to(office)
    assert "Too many wrong codes" in fay.get(PAGE).text
    answer = send(fay, f"{PAGE}/page/renew")
    assert answer.headers["location"] == f"{PAGE}?done=page"
    page = fay.get(answer.headers["location"]).text
    assert "Print the sheet again" in page
    assert "Too many wrong codes" not in page
    new = way_to(office)
    assert new.code in page
    assert httpx.get(f"{server.base}{old.path}").status_code == 404
    assert httpx.post(f"{server.base}{new.path}open", data={"code": new.code}).status_code == 303


def test_an_administrator_gives_no_links(office: Office, server: Server) -> None:
    with browser_of(server, office, Role.ADMINISTRATOR) as ada:
        assert send(ada, f"{PAGE}/page/renew").status_code == 403
        assert ada.get(PAGE).status_code == 403


def test_without_an_address_nobody_hears_of_a_page(tmp_path: Path, empty_database: Path) -> None:
    with practice_with_pages(tmp_path, empty_database, address="") as office:
        office.enroll()
        with serving(office.app) as server, browser_of(server, office, Role.FRONT_DESK) as fay:
            assert "own page" not in fay.get(PAGE).text
            assert "Your page" not in fay.get(f"{PAGE}/sheet").text
            assert send(fay, f"{PAGE}/page/renew").status_code == 404
