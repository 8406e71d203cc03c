"""Queries about one day: what goes out when, what became of what was handed over."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import func, literal_column, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import Enrollment, Message, Patient


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
            col(Message.practice_id) == practice_id,
            col(Message.state) == literal_column("'scheduled'"),
            col(Message.due_at) >= start,
            col(Message.due_at) < end,
            col(Message.enrollment_id).is_not(None),
        )
        .order_by(col(Message.due_at), col(Message.id))
        .limit(limit)
    )
    return tuple(map(GoingOut._make, session.execute(statement)))


def handed_over_since(session: Session, practice_id: str, since: datetime) -> dict[tuple[str, str], int]:
    """Return how many messages of running courses became what since an instant, by channel and state.

    By their courses, as an index over when every message was settled would cost more than the question is worth.
    """
    statement = (
        select(col(Message.channel), col(Message.state), func.count())
        .select_from(Enrollment)
        .join(Message, col(Message.enrollment_id) == col(Enrollment.id))
        .where(
            col(Enrollment.practice_id) == practice_id,
            col(Enrollment.state) == "active",
            col(Message.settled_at).is_not(None),
            col(Message.settled_at) >= since,
        )
        .group_by(col(Message.channel), col(Message.state))
    )
    return {(channel, state): count for channel, state, count in session.execute(statement)}
