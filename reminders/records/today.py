"""Queries about one day: what goes out when, what became of what was handed over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import case, func, literal, literal_column, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.queue_counts import waiting_in
from reminders.records.tables import Message, Patient
from reminders.records.tables_concerns import Concern


class GoingOut(NamedTuple):
    """One message that goes out within the time asked for."""

    send_at: datetime
    key: str
    channel: str
    enrollment_id: int
    first_name: str
    last_name: str


def going_out(
    session: Session, practice_id: str, start: datetime, end: datetime, *, limit: int
) -> tuple[GoingOut, ...]:
    """Return the messages of courses that wait and go out from `start` on before `end`, the earliest first."""
    statement = (
        select(
            col(Message.send_at),
            col(Message.key),
            col(Message.channel),
            col(Message.enrollment_id),
            col(Patient.first_name),
            col(Patient.last_name),
        )
        .join(Patient, col(Patient.id) == col(Message.patient_id))
        .where(
            waiting_in(practice_id),
            col(Message.due_at) >= start,
            col(Message.due_at) < end,
            col(Message.enrollment_id).is_not(None),
        )
        .order_by(col(Message.due_at), col(Message.id))
        .limit(limit)
    )
    return tuple(map(GoingOut._make, session.execute(statement)))


def handed_over_of(session: Session, practice_id: str, start: datetime, end: datetime) -> dict[tuple[str, str], int]:
    """Return what became of the messages whose moment lay between two instants, by channel and state."""
    statement = (
        select(col(Message.channel), col(Message.state), func.count())
        .where(
            col(Message.practice_id) == practice_id,
            col(Message.send_at) >= start,
            col(Message.send_at) < end,
            col(Message.settled_at).is_not(None),
        )
        .group_by(col(Message.channel), col(Message.state))
    )
    return {(channel, state): count for channel, state, count in session.execute(statement)}


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
    due_at = col(Message.due_at)
    day = case(*((due_at < end, number) for number, end in enumerate(ends)))
    statement = (
        select(
            col(Message.channel),
            day,
            func.count(),
            func.sum(col(Message.segments)) if parts else literal(0),
            func.count().filter(due_at < late_before),
            func.count().filter(col(Message.useful_until) < now),
        )
        .where(
            waiting_in(practice_id),
            due_at < ends[-1],
        )
        .group_by(col(Message.channel), day)
    )
    return tuple(map(DayLoad._make, session.connection().execute(statement)))


def open_concerns_counted(session: Session, practice_id: str, now: datetime) -> tuple[int, int]:
    """Return how many concerns are not closed, and how many of them are overdue."""
    statement = select(func.count(), func.count().filter(col(Concern.due_at) < now)).where(
        col(Concern.practice_id) == practice_id, col(Concern.state) != literal_column("'closed'")
    )
    all_of_them, overdue = session.execute(statement).one()
    return all_of_them, overdue
