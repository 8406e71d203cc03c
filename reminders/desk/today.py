"""What the practice looks at in the morning: who is in aftercare, what goes out, who is silent, what lies ahead."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from sqlalchemy.orm import Session

from reminders.care.timing import instant_of, local_day
from reminders.desk.composing import Desk
from reminders.desk.digest import Digest, DigestCourse, make_digest
from reminders.desk.forecast import DAYS, Forecast, Terms, make_forecast
from reminders.records.heartbeats import DISPATCH, last_beat
from reminders.records.queue_counts import QueueCounts, queue_counts
from reminders.records.today import GoingOut, going_out, handed_over_since

_LATE_AFTER = timedelta(minutes=10)
_STALLED_AFTER = timedelta(minutes=5)
_MOST_LISTED = 200
_MOST_COURSES = 100


@dataclass(frozen=True, kw_only=True)
class Today:
    """The overview of one day, by the practice's clock."""

    digest: Digest
    going_out: tuple[GoingOut, ...]
    """What still goes out before midnight, two hundred at most."""
    forecast: Forecast
    ahead: tuple[tuple[date, int], ...]
    """How many messages wait for each of the next days, today first."""
    handed_over: Mapping[tuple[str, str], int]
    """What became of the last day's messages, by channel and state."""
    queue: QueueCounts
    last_round: datetime | None
    """When what sends the messages last went round; None when it never did."""
    is_stalled: bool
    """Nothing goes round: no message leaves."""

    @property
    def listed(self) -> tuple[DigestCourse, ...]:
        """The running courses, those that want a look first, then the newest; a hundred at most."""
        return tuple(sorted(self.digest.courses, key=lambda each: not _wants_a_look(each))[:_MOST_COURSES])


def today(session: Session, desk: Desk, terms: Terms) -> Today:
    """Return the overview of today; `terms` are the pace and the prices of messages."""
    now = desk.clock.now()
    day = local_day(now, desk.zone)
    midnight = instant_of(day + timedelta(days=1), time(0), desk.zone)
    forecast = make_forecast(session, desk.practice_id, terms, now=now)
    counts = dict.fromkeys((day + timedelta(days=number) for number in range(DAYS)), 0)
    for hour in forecast.hours:
        on = max(local_day(hour.starts_at, desk.zone), day)
        counts[on] = counts.get(on, 0) + hour.due
    last_round = last_beat(session, desk.practice_id, DISPATCH)
    return Today(
        digest=make_digest(session, desk),
        going_out=going_out(session, desk.practice_id, now, midnight, limit=_MOST_LISTED),
        forecast=forecast,
        ahead=tuple(sorted(counts.items())),
        handed_over=handed_over_since(session, desk.practice_id, now - timedelta(days=1)),
        queue=queue_counts(session, desk.practice_id, now=now, late_before=now - _LATE_AFTER),
        last_round=last_round,
        is_stalled=last_round is None or now - last_round > _STALLED_AFTER,
    )


def _wants_a_look(course: DigestCourse) -> bool:
    return bool(course.concerns or course.failed or course.is_paused or course.silent_since)
