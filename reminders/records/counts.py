"""Queries that count: what is due, late, in doubt or overdue, for whoever watches over the installation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.message_states import MessageState
from reminders.records.queue_counts import waiting_in
from reminders.records.tables import Enrollment, Message
from reminders.records.tables_concerns import Concern


@dataclass(frozen=True, kw_only=True)
class Backlog:
    """How much waits for the program or for a person."""

    scheduled: int
    due: int
    late: int
    """Due messages whose moment came before the given instant."""
    uncertain: int
    failed_lately: int
    open_concerns: int
    overdue_concerns: int


def backlog(session: Session, practice_id: str, *, now: datetime, late_before: datetime, since: datetime) -> Backlog:
    """Count what waits; failures are counted since an instant."""

    def messages(state: MessageState, *narrowed: ColumnElement[bool]) -> int:
        statement = select(func.count()).where(
            col(Message.practice_id) == practice_id, col(Message.state) == state, *narrowed
        )
        return session.execute(statement).scalar_one()

    def concerns(*narrowed: ColumnElement[bool]) -> int:
        statement = select(func.count()).where(
            col(Concern.practice_id) == practice_id, col(Concern.state) != "closed", *narrowed
        )
        return session.execute(statement).scalar_one()

    return Backlog(
        scheduled=messages(MessageState.SCHEDULED),
        due=messages(MessageState.SCHEDULED, col(Message.due_at) <= now),
        late=messages(MessageState.SCHEDULED, col(Message.due_at) <= late_before),
        uncertain=messages(MessageState.UNCERTAIN),
        failed_lately=messages(MessageState.FAILED, col(Message.settled_at) >= since),
        open_concerns=concerns(),
        overdue_concerns=concerns(col(Concern.due_at) < now),
    )


def waiting_messages(session: Session, practice_id: str) -> int:
    """Return how many messages wait for their moment."""
    return session.execute(select(func.count()).where(waiting_in(practice_id))).scalar_one()


def running_contents(session: Session, practice_id: str) -> dict[str, int]:
    """Return how many courses run by each content of a plan."""
    statement = (
        select(col(Enrollment.content_hash), func.count())
        .where(col(Enrollment.practice_id) == practice_id, col(Enrollment.state) == "active")
        .group_by(col(Enrollment.content_hash))
    )
    return {content: count for content, count in session.execute(statement)}  # noqa: C416  a result is no mapping
