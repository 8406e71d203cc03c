"""What the practice looks at in the morning: who is in aftercare, what goes out, who is silent, what lies ahead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from sqlalchemy.orm import Session

from reminders.care.timing import instant_of, local_day
from reminders.desk.composing import Desk
from reminders.desk.digest import Digest, make_digest
from reminders.records.counts import Backlog, backlog
from reminders.records.today import GoingOut, going_out, handed_over_since, waiting_between

DAYS_AHEAD = 10
_LATE_AFTER = timedelta(minutes=10)
_MOST_LISTED = 200


@dataclass(frozen=True, kw_only=True)
class Today:
    """The overview of one day, by the practice's clock."""

    digest: Digest
    going_out: tuple[GoingOut, ...]
    """What still goes out before midnight, two hundred at most."""
    ahead: tuple[tuple[date, int], ...]
    """How many messages wait for each of the next days, today first."""
    handed_over: Mapping[tuple[str, str], int]
    """What became of the last day's messages, by channel and state."""
    backlog: Backlog


def today(session: Session, desk: Desk) -> Today:
    """Return the overview of today."""
    now = desk.clock.now()
    day = local_day(now, desk.zone)
    days = [day + timedelta(days=number) for number in range(DAYS_AHEAD + 1)]
    edges: list[datetime] = [now, *(instant_of(each, time(0), desk.zone) for each in days[1:])]
    counts = waiting_between(session, desk.practice_id, edges)
    return Today(
        digest=make_digest(session, desk),
        going_out=going_out(session, desk.practice_id, now, edges[1], limit=_MOST_LISTED),
        ahead=tuple(zip(days, counts, strict=False)),
        handed_over=handed_over_since(session, desk.practice_id, now - timedelta(days=1)),
        backlog=backlog(
            session, desk.practice_id, now=now, late_before=now - _LATE_AFTER, since=now - timedelta(days=1)
        ),
    )
