"""What the practice looks at in the morning: who is in aftercare, what goes out, who is silent, what lies ahead.

Everybody is counted, and only who is shown is looked up: it is asked for all day, before thousands of courses.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from sqlalchemy.orm import Session

from reminders.care.timing import instant_of, local_day
from reminders.desk.composing import Desk
from reminders.desk.digest import DigestCourse, course_of, is_silent
from reminders.desk.forecast import DAYS, Terms, make_forecast
from reminders.records import overview
from reminders.records import today as rows
from reminders.records.heartbeats import DISPATCH, last_beat
from reminders.records.staff_tasks import ComingTask, coming_tasks
from reminders.records.today import GoingOut

_LATE_AFTER = timedelta(minutes=10)
_STALLED_AFTER = timedelta(minutes=5)
_LATELY = timedelta(days=1)
_TASKS_AHEAD = timedelta(days=7)
_MOST_COURSES = 50
_MOST_GOING_OUT = 40


@dataclass(frozen=True, kw_only=True)
class Running:
    """The running courses."""

    count: int
    silent: int
    listed: tuple[DigestCourse, ...]
    """Those that want a look first, then the newest; fifty at most."""


@dataclass(frozen=True, kw_only=True)
class Ahead:
    """What waits for the next two weeks."""

    days: tuple[tuple[date, int], ...]
    """How many messages for each day by the practice's clock, today first."""
    cost: Decimal
    too_late: int
    """Messages that the pace would not let out while they are useful."""
    late: int
    """Messages whose moment came more than ten minutes ago."""

    @property
    def messages(self) -> int:
        """All of them."""
        return sum(count for _, count in self.days)


@dataclass(frozen=True, kw_only=True)
class Today:
    """The overview of one day, by the practice's clock."""

    running: Running
    open_concerns: int
    late_concerns: int
    tasks: tuple[ComingTask, ...]
    """What comes up for staff within a week, the earliest first."""
    going_out: tuple[GoingOut, ...]
    """What still goes out before midnight, the first forty."""
    ahead: Ahead
    handed_over: Mapping[tuple[str, str], int]
    """What became of the messages of the last 24 hours, by channel and state."""
    last_round: datetime | None
    """When what sends the messages last went round; None when it never did."""
    is_stalled: bool
    """Nothing goes round: no message leaves."""


def today(session: Session, desk: Desk, terms: Terms) -> Today:
    """Return the overview of today; `terms` are the pace and the prices of messages."""
    now = desk.clock.now()
    midnight = instant_of(local_day(now, desk.zone) + timedelta(days=1), time(0), desk.zone)
    open_concerns, late_concerns = rows.open_concerns_counted(session, desk.practice_id, now)
    last_round = last_beat(session, desk.practice_id, DISPATCH)
    return Today(
        running=_running(session, desk, now),
        open_concerns=open_concerns,
        late_concerns=late_concerns,
        tasks=tuple(coming_tasks(session, desk.practice_id, now + _TASKS_AHEAD)),
        going_out=rows.going_out(session, desk.practice_id, now, midnight, limit=_MOST_GOING_OUT),
        ahead=_ahead(session, desk, terms, now),
        handed_over=rows.handed_over_of(session, desk.practice_id, now - _LATELY, now),
        last_round=last_round,
        is_stalled=last_round is None or now - last_round > _STALLED_AFTER,
    )


def _running(session: Session, desk: Desk, now: datetime) -> Running:
    brief = overview.courses_in_brief(session, desk.practice_id, since=now - _LATELY)
    unanswered = {each.patient_id: each.unanswered_at for each in brief if each.unanswered_at is not None}
    first = min(unanswered.values(), default=now)
    wrote = overview.last_replies(session, desk.practice_id, since=first, only=unanswered) if unanswered else {}
    silent = {each.enrollment_id for each in brief if is_silent(each.unanswered_at, wrote.get(each.patient_id))}
    concerns = overview.open_by_patient(session, desk.practice_id)

    def wants_a_look(each: overview.CourseInBrief) -> bool:
        troubled = each.failed or each.paused_at is not None or each.enrollment_id in silent
        return bool(troubled or each.patient_id in concerns)

    first_ones = sorted(brief, key=lambda each: not wants_a_look(each))[:_MOST_COURSES]
    shown = {each.enrollment_id: each for each in first_ones}
    found = overview.running_courses(session, desk.practice_id, since=now - _LATELY, only=shown)
    told = {
        each.enrollment_id: course_of(
            each, now, wrote_at=wrote.get(each.patient_id), open_ones=concerns.get(each.patient_id, ())
        )
        for each in found
    }
    return Running(count=len(brief), silent=len(silent), listed=tuple(told[number] for number in shown))


def _ahead(session: Session, desk: Desk, terms: Terms, now: datetime) -> Ahead:
    first = local_day(now, desk.zone)
    days = [first + timedelta(days=number) for number in range(DAYS)]
    ends = [instant_of(day + timedelta(days=1), time(0), desk.zone) for day in days]
    load = rows.load_by_day(
        session, desk.practice_id, ends, moments=(now, now - _LATE_AFTER), parts=bool(terms.sms_segment)
    )
    by_day: Counter[int] = Counter()
    for each in load:
        by_day[each.day] += each.messages
    segments = sum(each.segments for each in load if each.channel == "sms")
    emails = sum(each.messages for each in load if each.channel == "email")
    return Ahead(
        days=tuple((day, by_day[number]) for number, day in enumerate(days)),
        cost=segments * terms.sms_segment + emails * terms.email,
        too_late=_too_late(session, desk, terms, now)
        if any(terms.limits.values())
        else sum(each.useless for each in load),
        late=sum(each.late for each in load),
    )


def _too_late(session: Session, desk: Desk, terms: Terms, now: datetime) -> int:
    return len(make_forecast(session, desk.practice_id, terms, now=now).too_late)
