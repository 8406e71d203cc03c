"""Checkout by the page: what is shown before it happens, enrolling, taking back, finding who was here before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from reminders.desk.checkout import READ_OUT
from reminders.desk.roles import Role
from tests.build import LEAD
from tests.desk.office import Office
from tests.web.people import browser_of, send
from tests.web.server import Server

PAGE = "/staff/checkout"
TYPED = {"procedure": LEAD, "first_name": "Robin", "last_name": "Example", "phone": "312-555-0123", "language": "en"}


@dataclass(frozen=True)
class Counter:
    """Fay Desk at the counter."""

    office: Office
    server: Server
    fay: httpx.Client

    def send(self, path: str = PAGE, **fields: Any) -> httpx.Response:
        """Send the form with what is typed, changed by `fields`; None leaves one out."""
        typed = {name: value for name, value in {**TYPED, **fields}.items() if value is not None}
        return send(self.fay, path, **typed)


@pytest.fixture
def counter(office: Office, server: Server) -> Iterator[Counter]:
    """A Wednesday at 10:30."""
    with browser_of(server, office, Role.FRONT_DESK) as fay:
        yield Counter(office, server, fay)


def test_a_patient_is_enrolled_with_the_words_of_consent_that_were_read_out(counter: Counter) -> None:
    answer = counter.send(consent="on", factor="none")
    assert answer.status_code == 200
    assert "<bdi>Robin Example</bdi> is enrolled" in answer.text
    (consent,) = counter.office.dump()["consent_event"]
    assert READ_OUT in str(consent)
    assert "Fay Desk" in str(consent)


def test_what_is_wrong_is_told_at_once_and_nothing_typed_is_lost(counter: Counter) -> None:
    answer = counter.send(phone="312-555-012", first_name="<i>Robin", factor=("diabetes",))
    assert answer.status_code == 400
    assert "consent" in answer.text
    assert 'value="&lt;i&gt;Robin"' in answer.text
    assert "<i>" not in answer.text
    assert 'value="diabetes" checked' in answer.text
    assert counter.office.dump()["enrollment"] == []


def test_looking_first_shows_messages_and_stores_nothing(counter: Counter) -> None:
    before = counter.office.dump()
    answer = counter.send(f"{PAGE}/preview", consent=None)
    assert "Example Foot Care" in answer.text
    assert "+1 312-555-0123" in answer.text
    after = counter.office.dump()
    assert {name for name in after if after[name] != before[name]} <= {"staff_session"}


def test_looking_by_script_returns_the_part_alone(counter: Counter) -> None:
    token = counter.fay.get(PAGE).text.split('name="csrf" value="')[1].split('"')[0]
    answer = counter.fay.post(f"{PAGE}/preview", data={**TYPED, "csrf": token}, headers={"HX-Request": "true"})
    assert "What will happen" in answer.text
    assert "<html" not in answer.text


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"phone": "+44 20 7946 0018", "factor": "none"}, "landline"),
        ({"phone": "808-555-0123", "factor": "none"}, "Pacific/Honolulu"),
        ({"phone": "555"}, "number"),
        ({}, "no patient factors were recorded"),
    ],
    ids=["landline", "far zone", "no number", "not asked"],
)
def test_the_preview_warns_before_anything_happens(counter: Counter, fields: dict[str, Any], told: str) -> None:
    assert told in counter.send(f"{PAGE}/preview", **fields).text


def test_what_is_moved_is_told_with_its_reason(counter: Counter) -> None:
    """A procedure in the evening: what would come within quiet hours, from 21:00, does not."""
    answer = counter.send(f"{PAGE}/preview", end="2026-06-10 18:30", factor="none")
    assert "Moved" in answer.text
    assert "quiet" in answer.text


def test_a_number_that_is_none_is_told_of_once(counter: Counter) -> None:
    answer = counter.send(phone="555", consent="on", factor="none")
    assert answer.status_code == 400
    assert "is not a number in use" in answer.text
    assert "a mobile number is needed" not in answer.text
    assert "a mobile number is needed" in counter.send(phone=None, consent="on", factor="none").text


def test_a_link_puts_no_words_of_its_own_on_the_page(counter: Counter) -> None:
    page = counter.fay.get(f"{PAGE}?taken-back=1,+and+call+312-555-0177+now").text
    assert "312-555-0177" not in page


def test_the_same_patient_is_not_enrolled_twice_by_mistake(counter: Counter) -> None:
    counter.send(consent="on", factor="none")
    answer = counter.send(consent="on", factor="none")
    assert answer.status_code == 409
    assert "A second course is meant" in answer.text
    assert counter.send(consent="on", factor="none", again="on").status_code == 200


def test_an_enrollment_is_taken_back_while_it_is_new(counter: Counter) -> None:
    counter.send(consent="on", factor="none")
    assert counter.send(f"{PAGE}/1/take-back").headers["location"] == f"{PAGE}?taken-back=1"
    assert {message.state for message in counter.office.messages(1)} <= {"cancelled", "at_checkout", "withheld"}
    assert counter.send(consent="on", factor="none").status_code == 200


def test_whoever_was_here_before_is_found_and_filled_in(counter: Counter) -> None:
    counter.office.enroll(first_name="Zoë", last_name="Quist")
    found = counter.send(f"{PAGE}/find", search="zoe q")
    assert "Zoë Quist" in found.text
    filled = counter.send(f"{PAGE}/known/1")
    assert 'value="Zoë"' in filled.text
    assert 'value="+13125550123"' in filled.text


@pytest.mark.parametrize("role", [Role.ADMINISTRATOR])
def test_who_sees_no_patient_finds_and_enrolls_none(counter: Counter, role: Role) -> None:
    with browser_of(counter.server, counter.office, role) as browser:
        assert browser.get(PAGE).status_code == 403
        assert send(browser, f"{PAGE}/find", search="Robin").status_code == 403
        assert send(browser, PAGE, **TYPED, consent="on").status_code == 403
