"""Many replies at once, and one reply brought twice at the same instant: none lost, none counted twice."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, wait
from pathlib import Path

from reminders.desk.take_reply import Incoming, Taken, take_reply
from reminders.records.database import Database
from tests.benchmarks.storm import office_with_patients, storm
from tests.databases import database_kind, database_url
from tests.desk.office import PHONE, Office

__all__ = ["database_kind", "database_url"]

URGENT = "there is pus coming out and it smells"


def overlapping(office: Office, first: Incoming, second: Incoming) -> tuple[Taken, Taken]:
    """Take in two replies, the second begun after the first was done and before it was committed."""

    def take(incoming: Incoming) -> Taken:
        with Database(office.database.engine).writing() as session:
            return take_reply(session, office.desk, incoming)

    with ThreadPoolExecutor(1) as pool:
        with office.database.writing() as session:
            one = take_reply(session, office.desk, first)
            other = pool.submit(take, second)
            wait([other], 0.3)  # as long as nothing holds it back; on SQLite it does not even begin
        return one, other.result(10)


def test_one_reply_brought_twice_at_the_same_instant_is_one(office: Office) -> None:
    office.enroll()
    given = Incoming(channel="sms", sender=PHONE, text=URGENT, gateway_ref="abc-1")
    one, other = overlapping(office, given, given)
    assert (one.is_new, other.is_new, other.reply_id) == (True, False, one.reply_id)
    assert [each.action for each in office.history(1)] == ["opened"]


def test_a_storm_from_several_processes_loses_none_and_counts_none_twice(database_url: str, tmp_path: Path) -> None:
    storming = office_with_patients(database_url, tmp_path)
    landed = storm(storming, 300)  # ten thousand: python -m tests.benchmarks storm
    storming.database.close()
    assert (landed.replies, landed.names) == (300, 300)
    assert landed.concerns <= 50  # at most one for each who wrote


def test_two_replies_of_one_patient_at_the_same_instant_are_one_concern(office: Office) -> None:
    office.enroll()
    first = Incoming(channel="sms", sender=PHONE, text=URGENT, gateway_ref="abc-1")
    second = Incoming(channel="sms", sender=PHONE, text="and it is red", gateway_ref="abc-2")
    one, other = overlapping(office, first, second)
    assert one.is_new
    assert other.is_new
    assert (len(office.concerns()), other.concern_id) == (1, one.concern_id)
    assert len([m for m in office.messages() if m.kind == "answer"]) == 1


def test_two_replies_of_one_patient_on_two_channels_at_the_same_instant_are_one_concern(office: Office) -> None:
    office.enroll(email="robin@example.org")
    first = Incoming(channel="sms", sender=PHONE, text=URGENT)
    second = Incoming(channel="email", sender="robin@example.org", text="and it is red")
    one, other = overlapping(office, first, second)
    assert (len(office.concerns()), other.concern_id) == (1, one.concern_id)
