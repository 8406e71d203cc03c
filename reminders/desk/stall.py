"""Tells staff once when messages wait and nothing sends them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from reminders.delivery.watch import STALLED_AFTER
from reminders.desk.composing import Desk
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.records.heartbeats import DISPATCH, last_beat
from reminders.records.queue_counts import oldest_due
from reminders.sentences import english
from reminders.words import marked

_BY = marked("watch")


@dataclass(frozen=True, kw_only=True)
class Stall:
    """Dispatching stands still, or stood still until a moment ago."""

    waits_since: datetime
    """When the longest waiting message was due."""
    last_beat: datetime | None
    """When dispatching last went round; None when it never did."""


def find_stall(database: Database, practice_id: str, now: datetime) -> Stall | None:
    """Return the stall of a practice's dispatching; None when it goes round, or nothing has waited for long.

    What waits while dispatching goes round is put off on purpose, and is no stall.
    """
    with database.reading() as session:
        beat = last_beat(session, practice_id, DISPATCH)
        if beat is not None and beat > now - STALLED_AFTER:
            return None
        waits_since = oldest_due(session, practice_id, before=now - STALLED_AFTER)
    return Stall(waits_since=waits_since, last_beat=beat) if waits_since is not None else None


def attend_to_stall(database: Database, desk: Desk) -> Stall | None:
    """Open one urgent concern about a stall; None when there is none. Safe to run often and by several processes.

    Whoever runs it notices: another worker, the pages, or the next start of a worker, before it sends anything.
    """
    now = desk.clock.now()
    stall = find_stall(database, desk.practice_id, now)
    if stall is None:
        return None
    with database.writing() as session:
        open_once(
            session,
            Trouble(
                practice_id=desk.practice_id,
                patient_id=None,
                enrollment_id=None,
                kind="delivery",
                about="dispatching stalled",
                urgency="urgent",
                summary=_summary(stall, desk),
                opened_at=now,
                due_at=desk.due.due_at("urgent", now, desk.opening),
            ),
            by=_BY,
        )
    return stall


def _summary(stall: Stall, desk: Desk) -> str:
    since = _local(stall.waits_since, desk)
    if stall.last_beat is None:
        return english(
            "Messages have waited since {clock}, and the program that sends them was never seen at work. Start it "
            "(`reminders run`), then look at what came too late: `reminders messages --state withheld`."
        ).format(clock=since)
    return english(
        "Messages have waited since {clock}, and the program that sends them was last seen at work {other_clock}. "
        "Start it (`reminders run`), then look at what came too late: `reminders messages --state withheld`."
    ).format(clock=since, other_clock=_local(stall.last_beat, desk))


def _local(instant: datetime, desk: Desk) -> str:
    return f"{instant.astimezone(desk.zone):%a %d %b %H:%M}"
