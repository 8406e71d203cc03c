"""An address that does not work: nothing more is sent there, and staff hear of it once."""

from __future__ import annotations

from datetime import timedelta

import pytest

from reminders.delivery.bad_address import BadContact, stop_sending_to
from reminders.records.database import Database
from reminders.records.tables import Patient
from tests.delivery.scripted import ScriptedTransport, dispatcher
from tests.stored import NOON, PHONE, add_contact, add_course, change_contact, concerns, row, states, store

BAD = BadContact(practice_id="main", channel="sms", address=PHONE, detail="no such number")


def _stop(database: Database, bad: BadContact = BAD) -> int:
    with database.writing() as session:
        return stop_sending_to(session, bad, now=NOON, concern_due=lambda _, at: at + timedelta(days=1))


def test_further_sending_stops_and_staff_are_told_once(database: Database) -> None:
    add_course(database)
    store(database, row(1), row(2), row(3, channel="email", address="robin@example.org", subject="Soak"))
    assert [_stop(database), _stop(database)] == [1, 0]
    transport = ScriptedTransport()
    dispatcher(database, transport).run_once()
    assert states(database) == ["withheld", "withheld", "sent"]
    (concern,) = concerns(database)
    assert (concern.patient_id, concern.urgency, concern.due_at) == (1, "routine", NOON + timedelta(days=1))
    assert concern.summary == (
        "The mobile number does not work, nothing more is sent to it: no such number. Ask the patient for another one."
    )


def test_everybody_who_has_the_address_is_concerned(database: Database) -> None:
    add_course(database)
    with database.writing() as session:
        session.add(
            Patient(
                id=2,
                practice_id="main",
                first_name="Sam",
                last_name="Invented",
                language="en",
                zone="America/Los_Angeles",
                created_at=NOON,
            )
        )
    add_contact(database, 2, "sms", PHONE)
    assert _stop(database) == 2
    assert sorted(each.patient_id or 0 for each in concerns(database)) == [1, 2]


@pytest.mark.parametrize("state", ["stopped", "released", "unreachable"])
def test_what_was_stopped_before_stays_as_it_is(database: Database, state: str) -> None:
    add_course(database)
    change_contact(database, state)
    assert _stop(database) == 0
    assert concerns(database) == []


def test_an_address_of_nobody_changes_nothing(database: Database) -> None:
    add_course(database)
    assert _stop(database, BadContact(practice_id="main", channel="sms", address="+12025550199", detail="x")) == 0
