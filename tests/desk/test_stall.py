"""Dispatching that stands still becomes one concern, whoever notices."""

from __future__ import annotations

from datetime import timedelta

import pytest

from reminders.desk.stall import attend_to_stall, find_stall
from reminders.records.heartbeats import DISPATCH, beat
from tests.desk.conftest import Opener
from tests.desk.office import Office
from tests.stored import add_course, concerns, row, store
from tests.waiting import until


@pytest.fixture
def still(office_at: Opener) -> Office:
    """An office whose one message has waited for six minutes."""
    office = office_at("2026-06-10T10:30")
    now = office.clock.now()
    with office.database.writing() as session:
        beat(session, "main", DISPATCH, now)
    office.clock.advance(timedelta(minutes=6))
    return office


def _wait(office: Office, minutes: int) -> None:
    with office.database.writing() as session:
        if not session.connection().exec_driver_sql("SELECT 1 FROM enrollment").first():
            session.connection().exec_driver_sql("DELETE FROM practice")
    add_course(office.database, at=office.clock.now())
    store(office.database, row(due_at=office.clock.now() - timedelta(minutes=minutes)))


def test_messages_that_wait_and_no_heartbeat_are_one_urgent_concern(still: Office) -> None:
    _wait(still, 6)
    assert attend_to_stall(still.database, still.desk) is not None
    assert attend_to_stall(still.database, still.desk) is not None
    (told,) = concerns(still.database)
    assert (told.urgency, told.kind, told.about) == ("urgent", "delivery", "dispatching stalled")
    assert told.summary.startswith(
        "Messages have waited since Wed 10 Jun 10:30, and the program that sends them was last seen at work "
        "Wed 10 Jun 10:30."
    )


def test_nothing_that_waits_is_no_stall_however_old_the_heartbeat(still: Office) -> None:
    _wait(still, -60)
    assert attend_to_stall(still.database, still.desk) is None
    assert concerns(still.database) == []


def test_a_fresh_heartbeat_means_that_what_waits_is_put_off(still: Office) -> None:
    _wait(still, 6)
    with still.database.writing() as session:
        beat(session, "main", DISPATCH, still.clock.now() - timedelta(minutes=4))
    assert find_stall(still.database, "main", still.clock.now()) is None


def test_a_program_that_never_ran_is_noticed_too(office: Office) -> None:
    _wait(office, 6)
    stall = find_stall(office.database, "main", office.clock.now())
    assert stall is not None
    assert stall.last_beat is None


def test_pages_that_send_nothing_notice_it_too(still: Office) -> None:
    _wait(still, 6)
    runner = still.app.onlooker()
    runner.start()
    try:
        until(lambda: concerns(still.database))
    finally:
        runner.close()
