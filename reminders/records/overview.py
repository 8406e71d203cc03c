"""Queries for the overview of everybody in aftercare: where they are, who is silent, what is open."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import bindparam, func, literal_column, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.columns import Instant
from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.records.tables import MESSAGES, Enrollment, Patient, Reply
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
    found = session.connection().execute(_IN_BRIEF, {"practice": practice_id, "since": since})
    return tuple(map(CourseInBrief._make, found.all()))


def running_courses(
    session: Session, practice_id: str, *, since: datetime, only: Collection[int] | None = None
) -> tuple[RunningCourse, ...]:
    """Return the active courses whose last message lies after an instant, the newest procedure first.

    `only` names the courses asked for; all of them when it is None.
    """
    values: dict[str, Any] = {"practice": practice_id, "since": since}
    run = session.connection().execute
    found = run(_RUNNING, values) if only is None else run(_RUNNING_OF_THESE, {**values, "only": [*only]})
    return tuple(map(RunningCourse._make, found.all()))


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
    return {new_id(patient_id): at for patient_id, at in session.connection().execute(statement)}


def open_by_patient(session: Session, practice_id: str) -> dict[int, tuple[int, ...]]:
    """Return by patient the ids of the concerns that are not closed, oldest first."""
    found: dict[int, tuple[int, ...]] = {}
    for patient_id, concern_id in session.connection().execute(_OPEN_BY_PATIENT, {"practice": practice_id}):
        found[new_id(patient_id)] = (*found.get(new_id(patient_id), ()), new_id(concern_id))
    return found


# The states stand word for word: a partial index can't be matched with a parameter.
_IS_ACTIVE = (col(Enrollment.practice_id) == bindparam("practice")) & (
    col(Enrollment.state) == literal_column("'active'")
)
_NOT_CLOSED = col(Concern.state) != literal_column("'closed'")
# Built once, as the page of the day is asked for all day: to build them costs as much as to run them.
_OF_COURSE = MESSAGES.c.enrollment_id == col(Enrollment.id)
_IN_BRIEF = (
    select(
        col(Enrollment.id),
        col(Enrollment.patient_id),
        col(Enrollment.paused_at),
        select(func.count()).where(_OF_COURSE, MESSAGES.c.state == literal_column("'failed'")).scalar_subquery(),
        select(func.max(MESSAGES.c.unanswered_at, type_=Instant()))
        .where(_OF_COURSE, MESSAGES.c.unanswered_at.is_not(None))
        .scalar_subquery(),
    )
    .where(
        _IS_ACTIVE,
        col(Enrollment.id).in_(
            select(MESSAGES.c.enrollment_id).where(
                MESSAGES.c.practice_id == bindparam("practice"), MESSAGES.c.send_at >= bindparam("since")
            )
        ),
    )
    .order_by(col(Enrollment.procedure_end).desc(), col(Enrollment.id))
)
_LAST_AT = func.max(MESSAGES.c.send_at, type_=Instant())
_RUNNING = (
    select(
        col(Enrollment.id),
        col(Enrollment.patient_id),
        col(Patient.first_name),
        col(Patient.last_name),
        col(Enrollment.procedure),
        col(Enrollment.procedure_end),
        col(Patient.zone),
        col(Enrollment.paused_at),
        _LAST_AT,
        func.count().filter(MESSAGES.c.state.in_((MessageState.SCHEDULED, MessageState.SENDING))),
        func.count().filter(MESSAGES.c.state == MessageState.FAILED),
        func.max(MESSAGES.c.unanswered_at, type_=Instant()),
    )
    .join(Patient, col(Patient.id) == col(Enrollment.patient_id))
    .join(MESSAGES, _OF_COURSE)
    .where(_IS_ACTIVE)
    .group_by(col(Enrollment.id), col(Patient.id))
    .having(bindparam("since", type_=Instant()) <= _LAST_AT)
    .order_by(col(Enrollment.procedure_end).desc(), col(Enrollment.id))
)
_RUNNING_OF_THESE = _RUNNING.where(col(Enrollment.id).in_(bindparam("only", expanding=True)))
_OPEN_BY_PATIENT = (
    select(col(Concern.patient_id), col(Concern.id))
    .where(col(Concern.practice_id) == bindparam("practice"), _NOT_CLOSED, col(Concern.patient_id).is_not(None))
    .order_by(col(Concern.id))
)
