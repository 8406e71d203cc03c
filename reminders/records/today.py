"""Queries about one day: what goes out when, what became of what was handed over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Select, String, bindparam, case, func, literal_column, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.queue_counts import waiting_in
from reminders.records.tables import MESSAGES, Patient
from reminders.records.tables_concerns import Concern


class GoingOut(NamedTuple):
    """One message that goes out within the time asked for."""

    send_at: datetime
    key: str
    channel: str
    enrollment_id: int
    patient_id: int
    first_name: str
    last_name: str


def going_out(
    session: Session, practice_id: str, start: datetime, end: datetime, *, limit: int
) -> tuple[GoingOut, ...]:
    """Return the messages of courses that wait and go out from `start` on before `end`, the earliest first."""
    values = {"practice": practice_id, "start": start, "end": end, "most": limit}
    return tuple(map(GoingOut._make, session.connection().execute(_GOING_OUT, values).all()))


def handed_over_of(session: Session, practice_id: str, start: datetime, end: datetime) -> dict[tuple[str, str], int]:
    """Return what became of the messages whose moment lay between two instants, by channel and state."""
    values = {"practice": practice_id, "start": start, "end": end}
    return {(channel, state): count for channel, state, count in session.connection().execute(_HANDED_OVER, values)}


class DayLoad(NamedTuple):
    """What waits to go out on one day by one channel."""

    channel: str
    day: int
    """Counted from the first one asked for, which is 0."""
    messages: int
    segments: int
    """Of SMS; 0 when they were not asked for."""
    late: int
    """Those whose moment came before the given instant."""
    useless: int
    """Those that are of no use any more."""


def load_by_day(
    session: Session, practice_id: str, ends: Sequence[datetime], *, moments: tuple[datetime, datetime], parts: bool
) -> tuple[DayLoad, ...]:
    """Return what waits for days that follow each other, by when each `ends`; what is overdue belongs to the first.

    `moments` are now and the one before which a message is late. `parts` asks for segments, which no index holds.
    """
    now, late_before = moments
    values = {"practice": practice_id, "now": now, "late_before": late_before, "last": ends[-1]}
    by_day = {f"end_{number}": end for number, end in enumerate(ends)}
    statement = _load_by_day(len(ends), parts=parts)
    return tuple(map(DayLoad._make, session.connection().execute(statement, values | by_day).all()))


def open_concerns_counted(session: Session, practice_id: str, now: datetime) -> tuple[int, int]:
    """Return how many concerns are not closed, and how many of them are overdue."""
    values = {"practice": practice_id, "now": now}
    all_of_them, overdue = session.connection().execute(_OPEN_CONCERNS, values).one()
    return all_of_them, overdue


# Built once, as the page of the day is asked for all day: to build them costs as much as to run them.
_OURS = MESSAGES.c.practice_id == bindparam("practice")
_WAITING = waiting_in(bindparam("practice", type_=String))
_GOING_OUT = (
    select(
        MESSAGES.c.send_at,
        MESSAGES.c.key,
        MESSAGES.c.channel,
        MESSAGES.c.enrollment_id,
        MESSAGES.c.patient_id,
        col(Patient.first_name),
        col(Patient.last_name),
    )
    .join(Patient, col(Patient.id) == MESSAGES.c.patient_id)
    .where(
        _WAITING,
        MESSAGES.c.due_at >= bindparam("start"),
        MESSAGES.c.due_at < bindparam("end"),
        MESSAGES.c.enrollment_id.is_not(None),
    )
    .order_by(MESSAGES.c.due_at, MESSAGES.c.id)
    .limit(bindparam("most"))
)
_HANDED_OVER = (
    select(MESSAGES.c.channel, MESSAGES.c.state, func.count())
    .where(
        _OURS,
        MESSAGES.c.send_at >= bindparam("start"),
        MESSAGES.c.send_at < bindparam("end"),
        MESSAGES.c.settled_at.is_not(None),
    )
    .group_by(MESSAGES.c.channel, MESSAGES.c.state)
)
_OPEN_CONCERNS = select(func.count(), func.count().filter(col(Concern.due_at) < bindparam("now"))).where(
    col(Concern.practice_id) == bindparam("practice"), col(Concern.state) != literal_column("'closed'")
)


@cache
def _load_by_day(days: int, *, parts: bool) -> Select[Any]:
    due_at = MESSAGES.c.due_at
    # the numbers stand word for word, as PostgreSQL takes two parameters for two, though they are one
    day = case(*((due_at < bindparam(f"end_{number}"), literal_column(str(number))) for number in range(days)))
    counted = select(
        MESSAGES.c.channel,
        day.label("day"),
        MESSAGES.c.segments,
        (due_at < bindparam("late_before")).label("is_late"),
        (MESSAGES.c.useful_until < bindparam("now")).label("is_useless"),
    ).where(_WAITING, due_at < bindparam("last"))
    each = counted.subquery().c
    return select(
        each.channel,
        each.day,
        func.count(),
        func.sum(each.segments) if parts else literal_column("0"),
        func.count().filter(each.is_late),
        func.count().filter(each.is_useless),
    ).group_by(each.channel, each.day)
