"""Queries for the overview of everybody in aftercare: where they are, who is silent, what is open."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, func, literal_column, select, true
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.columns import Instant
from reminders.records.message_states import MessageState
from reminders.records.tables import Enrollment, Message, Patient, Reply
from reminders.records.tables_concerns import Concern


class RunningCourse(NamedTuple):
    """A course whose last message is still to come, or came lately."""

    enrollment_id: int
    patient_id: int
    first_name: str
    last_name: str
    procedure: str
    procedure_end: datetime
    zone: str
    paused_at: datetime | None
    last_at: datetime
    """When its last message is, or was, planned."""
    waiting: int
    failed: int
    unanswered_at: datetime | None
    """When it was noted last that a question had no answer."""


class CourseInBrief(NamedTuple):
    """A running course, and whether somebody should look at it."""

    enrollment_id: int
    patient_id: int
    paused_at: datetime | None
    failed: int
    """Messages."""
    unanswered_at: datetime | None
    """As in `RunningCourse`."""


def courses_in_brief(session: Session, practice_id: str, *, since: datetime) -> tuple[CourseInBrief, ...]:
    """Return the active courses that have a message after an instant, the newest procedure first.

    Few columns, each from an index of its own: it is asked for all courses to show fifty of them.
    """
    own = col(Message.enrollment_id) == col(Enrollment.id)
    failed = select(func.count()).where(own, col(Message.state) == literal_column("'failed'"))
    unanswered = select(func.max(col(Message.unanswered_at), type_=Instant())).where(
        own, col(Message.unanswered_at).is_not(None)
    )
    ahead = select(col(Message.enrollment_id)).where(
        col(Message.practice_id) == practice_id, col(Message.send_at) >= since
    )
    statement = (
        select(
            col(Enrollment.id),
            col(Enrollment.patient_id),
            col(Enrollment.paused_at),
            failed.scalar_subquery(),
            unanswered.scalar_subquery(),
        )
        .where(_is_active(practice_id), col(Enrollment.id).in_(ahead))
        .order_by(col(Enrollment.procedure_end).desc(), col(Enrollment.id))
    )
    return tuple(map(CourseInBrief._make, session.connection().execute(statement)))


def running_courses(
    session: Session, practice_id: str, *, since: datetime, only: Collection[int] | None = None
) -> tuple[RunningCourse, ...]:
    """Return the active courses whose last message lies after an instant, the newest procedure first.

    `only` names the courses asked for; all of them when it is None.
    """
    waits = col(Message.state).in_((MessageState.SCHEDULED, MessageState.SENDING))
    last_at = func.max(col(Message.send_at), type_=Instant())
    statement = (
        select(
            col(Enrollment.id),
            col(Enrollment.patient_id),
            col(Patient.first_name),
            col(Patient.last_name),
            col(Enrollment.procedure),
            col(Enrollment.procedure_end),
            col(Patient.zone),
            col(Enrollment.paused_at),
            last_at,
            func.count().filter(waits),
            func.count().filter(col(Message.state) == MessageState.FAILED),
            func.max(col(Message.unanswered_at), type_=Instant()),
        )
        .join(Patient, col(Patient.id) == col(Enrollment.patient_id))
        .join(Message, col(Message.enrollment_id) == col(Enrollment.id))
        .where(_is_active(practice_id), true() if only is None else col(Enrollment.id).in_(only))
        .group_by(col(Enrollment.id), col(Patient.id))
        .having(last_at >= since)
        .order_by(col(Enrollment.procedure_end).desc(), col(Enrollment.id))
    )
    return tuple(RunningCourse._make(row) for row in _rows(session, statement))


def last_replies(
    session: Session, practice_id: str, *, since: datetime, only: Collection[int] | None = None
) -> dict[int, datetime]:
    """Return by patient when they wrote last themselves, of those who did since an instant; `only` names patients."""
    statement = (
        select(col(Reply.patient_id), func.max(col(Reply.received_at), type_=Instant()))
        .where(
            col(Reply.practice_id) == practice_id,
            col(Reply.patient_id).is_not(None) if only is None else col(Reply.patient_id).in_(only),
            col(Reply.written_by) == "person",
            col(Reply.received_at) >= since,
        )
        .group_by(col(Reply.patient_id))
    )
    return {patient_id: at for patient_id, at in _rows(session, statement)}  # noqa: C416  a result is no mapping


def open_by_patient(session: Session, practice_id: str) -> dict[int, tuple[int, ...]]:
    """Return by patient the ids of the concerns that are not closed, oldest first."""
    statement = (
        select(col(Concern.patient_id), col(Concern.id))
        .where(
            col(Concern.practice_id) == practice_id,
            col(Concern.state) != literal_column("'closed'"),  # as the partial index has it
            col(Concern.patient_id).is_not(None),
        )
        .order_by(col(Concern.id))
    )
    found: dict[int, tuple[int, ...]] = {}
    for patient_id, concern_id in _rows(session, statement):
        found[patient_id] = (*found.get(patient_id, ()), concern_id)
    return found


def _is_active(practice_id: str) -> ColumnElement[bool]:
    # The state stands word for word: a partial index can't be matched with a parameter.
    return (col(Enrollment.practice_id) == practice_id) & (col(Enrollment.state) == literal_column("'active'"))


def _rows(session: Session, statement: Any) -> Any:
    return session.execute(statement)
