"""Queries about what nobody answered: questions without a reply, and courses of which nothing arrives."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import CursorResult, Select, and_, case, exists, func, literal_column, select, update
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from reminders.records.columns import Instant
from reminders.records.message_states import MessageState
from reminders.records.replies import REACHED
from reminders.records.tables import Contact, Enrollment, Message, Reply

_AT_ONCE = 200


class NothingArrives(NamedTuple):
    """A course whose latest messages all failed."""

    enrollment_id: int
    patient_id: int
    failed: int
    last_failed_at: datetime


def has_unanswered(session: Session, practice_id: str, *, since: datetime, until: datetime) -> bool:
    """Say whether `unanswered_questions` would find any."""
    return session.execute(_unanswered(practice_id, since, until).limit(1)).first() is not None


def unanswered_questions(session: Session, practice_id: str, *, since: datetime, until: datetime) -> list[Message]:
    """Return questions of running courses that went out within a time and that the patient wrote nothing after.

    The oldest first, at most a few hundred; those already noted are left out. On PostgreSQL what another worker
    has in hand is passed over.
    """
    statement = _unanswered(practice_id, since, until).order_by(col(Message.settled_at)).limit(_AT_ONCE)
    return list(session.execute(statement.with_for_update(skip_locked=True, of=Message)).scalars())


def repeat_of(session: Session, message_id: int) -> int | None:
    """Return the id of the message that asks the question again; None when it was not asked again."""
    return session.execute(select(col(Message.id)).where(col(Message.repeats_id) == message_id)).scalar_one_or_none()


def joined_keys(session: Session, host: Message) -> tuple[tuple[str, int], ...]:
    """Return key and occurrence of what a message says besides its own instruction."""
    statement = select(col(Message.key), col(Message.occurrence)).where(
        col(Message.enrollment_id) == host.enrollment_id,
        col(Message.joined_into) == f"{host.key}:{host.occurrence}",
    )
    return tuple((key, occurrence) for key, occurrence in session.execute(statement))


def count_between(session: Session, patient_id: int, start: datetime, end: datetime) -> int:
    """Return how many messages of courses a patient got, or will get, within a time."""
    states = (MessageState.SCHEDULED, MessageState.SENDING, *REACHED)
    statement = (
        select(func.count())
        .select_from(Message)
        .join(Enrollment, col(Enrollment.id) == col(Message.enrollment_id))
        .where(
            col(Enrollment.patient_id) == patient_id,
            col(Message.send_at) >= start,
            col(Message.send_at) < end,
            col(Message.state).in_(states),
        )
    )
    return session.execute(statement).scalar_one()


def note_unanswered(session: Session, message_id: int, at: datetime) -> bool:
    """Note that nobody answered a question; False when that was noted before."""
    changed = session.execute(
        update(Message)
        .where(col(Message.id) == message_id, col(Message.unanswered_at).is_(None))
        .values(unanswered_at=at)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def nothing_arrives(session: Session, practice_id: str) -> tuple[NothingArrives, ...]:
    """Return running courses of which the last two messages failed, or the only one so far."""
    reached = case((col(Message.state).in_(REACHED), col(Message.settled_at)))
    last = (
        select(col(Message.enrollment_id), func.max(reached, type_=Instant()).label("reached_at"))
        .join(Enrollment, col(Enrollment.id) == col(Message.enrollment_id))
        .where(col(Enrollment.practice_id) == practice_id, col(Enrollment.state) == "active")
        .group_by(col(Message.enrollment_id))
        .subquery()
    )
    failed = func.count()
    statement = (
        select(
            col(Message.enrollment_id),
            col(Message.patient_id),
            failed,
            func.max(col(Message.settled_at), type_=Instant()),
        )
        .join(last, last.c.enrollment_id == col(Message.enrollment_id))
        .where(
            col(Message.state) == MessageState.FAILED.value,
            col(Message.settled_at).is_not(None),
            (last.c.reached_at.is_(None)) | (col(Message.settled_at) > last.c.reached_at),
        )
        .group_by(col(Message.enrollment_id), col(Message.patient_id), last.c.reached_at)
        .having((failed >= 2) | (last.c.reached_at.is_(None)))
    )
    return tuple(map(NothingArrives._make, session.execute(statement)))


def _unanswered(practice_id: str, since: datetime, until: datetime) -> Select[Message]:
    answer, usable = aliased(Reply), aliased(Contact)
    return (
        select(Message)
        .join(Enrollment, col(Enrollment.id) == col(Message.enrollment_id))
        .where(
            col(Message.asks).is_not(None),  # these three as the partial index has them
            col(Message.unanswered_at).is_(None),
            col(Message.settled_at).is_not(None),
            col(Message.settled_at) >= since,
            col(Message.settled_at) <= until,
            col(Message.practice_id) == practice_id,
            col(Message.kind) == literal_column("'instruction'"),
            col(Message.asks).in_(("yes_no", "pain")),
            col(Message.state).in_(REACHED),
            col(Message.repeats_id).is_(None),
            col(Enrollment.state) == "active",
            col(Enrollment.paused_at).is_(None),
            exists().where(
                and_(
                    col(usable.patient_id) == col(Message.patient_id),
                    col(usable.channel) == col(Message.channel),
                    col(usable.address_key) == col(Message.address_key),
                    col(usable.state) == "active",
                )
            ),
            ~exists().where(
                and_(
                    col(answer.patient_id) == col(Message.patient_id),
                    col(answer.received_at) >= col(Message.handed_at),
                    col(answer.written_by) == "person",
                )
            ),
        )
    )
