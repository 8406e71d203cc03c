"""A mailbox that can't be read becomes a concern after a while, once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from reminders.clock import VirtualClock
from reminders.delivery.mailbox_watch import MailboxWatch
from reminders.delivery.tell_staff import TellStaff
from reminders.errors import Unreachable
from reminders.records.database import Database
from tests.stored import NOON, add_course, concerns


def _watch(fetch: Callable[[], object], database: Database, clock: VirtualClock) -> MailboxWatch:
    tell_staff = TellStaff(
        practice_id="main", database=lambda: database, clock=clock, concern_due=lambda _urgency, at: at
    )
    return MailboxWatch(fetch=fetch, tell_staff=tell_staff, clock=clock)


def test_staff_are_told_once_when_mails_can_not_be_read(database: Database) -> None:
    add_course(database)
    clock, away = VirtualClock(NOON), True

    def fetch() -> None:
        if away:
            raise Unreachable("the mailbox can't be used now: timeout")

    watch = _watch(fetch, database, clock)
    for _ in range(15):
        watch.run()
        clock.advance(timedelta(minutes=1))
    assert concerns(database) == []
    for _ in range(10):
        watch.run()
        clock.advance(timedelta(minutes=1))
    (concern,) = concerns(database)
    assert (concern.kind, concern.urgency, concern.patient_id) == ("delivery", "urgent", None)
    assert "are not read" in concern.summary


def test_a_mailbox_that_is_back_in_time_is_no_concern(database: Database) -> None:
    add_course(database)
    clock = VirtualClock(NOON)
    answers = iter([False] * 10 + [True] + [False] * 14)

    def fetch() -> None:
        if not next(answers):
            raise Unreachable("away")

    watch = _watch(fetch, database, clock)
    for _ in range(25):
        watch.run()
        clock.advance(timedelta(minutes=1))
    assert concerns(database) == []
