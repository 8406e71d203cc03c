"""Patients whom other systems told of, on the site: filled into the form, enrolled once, or dismissed."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from reminders.desk.roles import Role
from reminders.desk.waiting import take_in
from tests.desk.office import Office
from tests.exchange.test_hl7_reading import A04, S12
from tests.web.people import browser_of, send
from tests.web.server import Server
from tests.web.test_checkout import TYPED


@pytest.fixture
def fay(office: Office, server: Server) -> Iterator[httpx.Client]:
    """The front desk, after two patients were told of; one of them has a name that means mischief."""
    with office.database.writing() as session:
        take_in(session, office.desk, (A04 + S12.replace("Kim", "<script>alert(1)</script>")).encode())
    with browser_of(server, office, Role.FRONT_DESK) as client:
        yield client


def test_who_waits_is_listed_and_nothing_of_it_runs(fay: httpx.Client) -> None:
    page = fay.get("/staff/waiting").text
    assert "Robin Invented" in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert(1)" not in page
    assert "2 patients wait to be enrolled" in fay.get("/staff/checkout").text


def test_the_form_is_filled_in_and_enrolling_ends_the_wait(fay: httpx.Client, office: Office) -> None:
    form = send(fay, "/staff/checkout/waiting/1").text
    assert 'value="+13125550123"' in form
    assert 'value="2026-06-10 10:30"' in form
    answer = send(fay, "/staff/checkout", **TYPED, factor="none", consent="on", waiting="1")
    assert answer.status_code == 200
    assert [row[6:8] for row in office.dump()["waiting_patient"]] == [("enrolled", 1), ("waiting", None)]
    again = send(fay, "/staff/checkout", **TYPED, factor="none", consent="on", waiting="1", again="on")
    assert again.status_code == 409
    assert len(office.dump()["enrollment"]) == 1


def test_a_dismissed_one_is_gone_and_can_not_be_filled_in(fay: httpx.Client) -> None:
    assert "Robin" not in send(fay, "/staff/waiting/1/dismiss").text
    assert send(fay, "/staff/checkout/waiting/1").status_code == 409
    assert send(fay, "/staff/waiting/1/dismiss").status_code == 409


def test_who_may_not_enroll_sees_nobody_who_waits(server: Server, office: Office) -> None:
    with browser_of(server, office, Role.CLINICIAN) as client:
        assert client.get("/staff/waiting").status_code == 200
    with browser_of(server, office, Role.ADMINISTRATOR) as client:
        assert client.get("/staff/waiting").status_code == 403
