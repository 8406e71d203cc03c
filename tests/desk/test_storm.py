"""Many replies at once, and one reply brought twice at the same instant: none lost, none counted twice."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

from reminders.desk.take_reply import Incoming, Taken, take_reply
from reminders.records.database import Database
from tests.databases import database_kind
from tests.desk.office import PHONE, Office

__all__ = ["database_kind"]

URGENT = "there is pus coming out and it smells"


def overlapping(office: Office, first: Incoming, second: Incoming) -> tuple[Taken, Taken]:
    """Take in two replies, the second begun after the first was done and before it was committed."""
    began = threading.Event()

    def take(incoming: Incoming) -> Taken:
        with Database(office.database.engine).writing() as session:
            began.set()
            return take_reply(session, office.desk, incoming)

    with ThreadPoolExecutor(1) as pool:
        with office.database.writing() as session:
            one = take_reply(session, office.desk, first)
            other = pool.submit(take, second)
            began.wait(0.3)  # on SQLite it does not even begin
        return one, other.result(10)


def test_one_reply_brought_twice_at_the_same_instant_is_one(office: Office) -> None:
    office.enroll()
    given = Incoming(channel="sms", sender=PHONE, text=URGENT, gateway_ref="abc-1")
    one, other = overlapping(office, given, given)
    assert (one.is_new, other.is_new, other.reply_id) == (True, False, one.reply_id)
    assert [each.action for each in office.history(1)] == ["opened"]


def test_two_replies_of_one_patient_at_the_same_instant_are_one_concern(office: Office) -> None:
    office.enroll()
    first = Incoming(channel="sms", sender=PHONE, text=URGENT, gateway_ref="abc-1")
    second = Incoming(channel="sms", sender=PHONE, text="and it is red", gateway_ref="abc-2")
    one, other = overlapping(office, first, second)
    assert one.is_new
    assert other.is_new
    assert (len(office.concerns()), other.concern_id) == (1, one.concern_id)
    assert len([m for m in office.messages() if m.kind == "answer"]) == 1
