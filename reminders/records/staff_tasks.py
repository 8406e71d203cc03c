"""Queries about what staff have to see to in a course, until each task becomes a concern."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple, TypedDict

from sqlalchemy import CursorResult, Select, literal_column, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import Enrollment
from reminders.records.tables_desk import STAFF_TASKS, StaffTask

_AT_ONCE = 200


class NewTask(TypedDict):
    """The columns of a task that waits."""

    enrollment_id: int
    key: str
    occurrence: int
    practice_id: str
    says: str
    due_at: datetime
    state: str


class ComingTask(NamedTuple):
    """A task that waits, with its course."""

    enrollment_id: int
    patient_id: int
    procedure: str
    key: str
    occurrence: int
    says: str
    due_at: datetime


def add_tasks(session: Session, tasks: Sequence[NewTask]) -> None:
    """Add tasks; none at all is fine. One that the course has already waits for the new moment.

    What became a concern stays as it is: a task is opened once, however often the course is planned anew.
    """
    if not tasks:
        return
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(STAFF_TASKS)
    changed = {name: statement.excluded[name] for name in ("says", "due_at", "state")}
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=list(STAFF_TASKS.primary_key.columns),
            set_=changed,
            where=STAFF_TASKS.c.state != "opened",
        ),
        [{**each} for each in tasks],
    )


def replace_waiting(session: Session, enrollment_id: int, tasks: Sequence[NewTask]) -> None:
    """Let a course have these tasks in place of those that wait, which are cancelled unless they are among them."""
    cancel_tasks(session, enrollment_id)
    add_tasks(session, tasks)


def cancel_tasks(session: Session, enrollment_id: int) -> int:
    """Cancel the tasks of a course that wait; returns how many."""
    changed = session.execute(
        update(StaffTask)
        .where(col(StaffTask.enrollment_id) == enrollment_id, col(StaffTask.state) == "waiting")
        .values(state="cancelled")
    )
    return changed.rowcount if isinstance(changed, CursorResult) else 0


def tasks_of(session: Session, enrollment_id: int) -> list[StaffTask]:
    """Return every task of a course, the earliest first."""
    statement = (
        select(StaffTask)
        .where(col(StaffTask.enrollment_id) == enrollment_id)
        .order_by(col(StaffTask.due_at), col(StaffTask.key), col(StaffTask.occurrence))
    )
    return list(session.execute(statement).scalars())


def has_due(session: Session, practice_id: str, until: datetime) -> bool:
    """Say whether `due_tasks` would find any."""
    return session.execute(_waiting(practice_id, until).limit(1)).first() is not None


def due_tasks(session: Session, practice_id: str, now: datetime) -> list[ComingTask]:
    """Return tasks whose moment has come, the earliest first, at most a few hundred, for one worker alone.

    On PostgreSQL what another worker has in hand is passed over.
    """
    return _rows(session, _waiting(practice_id, now).limit(_AT_ONCE).with_for_update(skip_locked=True, of=StaffTask))


def coming_tasks(session: Session, practice_id: str, until: datetime) -> list[ComingTask]:
    """Return every task that waits and whose moment comes by an instant, the earliest first."""
    return _rows(session, _waiting(practice_id, until))


def mark_opened(session: Session, task: ComingTask, concern_id: int) -> bool:
    """Note which concern a task became; False when it does not wait any more."""
    changed = session.execute(
        update(StaffTask)
        .where(
            col(StaffTask.enrollment_id) == task.enrollment_id,
            col(StaffTask.key) == task.key,
            col(StaffTask.occurrence) == task.occurrence,
            col(StaffTask.state) == "waiting",
        )
        .values(state="opened", concern_id=concern_id)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def _waiting(practice_id: str, until: datetime) -> Select[int, int, str, str, int, str, datetime]:
    return (
        select(
            col(StaffTask.enrollment_id),
            col(Enrollment.patient_id),
            col(Enrollment.procedure),
            col(StaffTask.key),
            col(StaffTask.occurrence),
            col(StaffTask.says),
            col(StaffTask.due_at),
        )
        .join(Enrollment, col(Enrollment.id) == col(StaffTask.enrollment_id))
        .where(
            col(StaffTask.practice_id) == practice_id,
            col(StaffTask.state) == literal_column("'waiting'"),  # word for word, as the partial index has it
            col(StaffTask.due_at) <= until,
        )
        .order_by(col(StaffTask.due_at), col(StaffTask.enrollment_id), col(StaffTask.key))
    )


def _rows(session: Session, statement: Select[int, int, str, str, int, str, datetime]) -> list[ComingTask]:
    return [ComingTask._make(row) for row in session.execute(statement)]
