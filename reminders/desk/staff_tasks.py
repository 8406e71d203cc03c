"""Keeps what staff have to see to in a course, and opens each task as a concern when its moment has come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.care.staff_tasks import DueTask
from reminders.desk.composing import Desk
from reminders.errors import StateError
from reminders.records import staff_tasks
from reminders.records.concerns import open_concern
from reminders.records.database import Database
from reminders.records.staff_tasks import ComingTask, NewTask
from reminders.records.tables_concerns import Concern
from reminders.words import gettext, marked

_BY = marked("plan")


@dataclass(frozen=True, kw_only=True)
class TaskOfCourse:
    """One task of a course, as the chart record has it."""

    key: str
    occurrence: int
    says: str
    due_at: datetime
    state: str
    """waiting, opened, cancelled."""
    concern_id: int | None


def rows_of_tasks(tasks: Sequence[DueTask], practice_id: str, enrollment_id: int) -> Sequence[NewTask]:
    """Return the tasks of a course as rows."""
    return tuple(
        {
            "enrollment_id": enrollment_id,
            "key": task.key,
            "occurrence": task.occurrence,
            "practice_id": practice_id,
            "says": task.says,
            "due_at": task.due_at,
            "state": "waiting",
        }
        for task in tasks
    )


def tasks_of_course(session: Session, enrollment_id: int) -> tuple[TaskOfCourse, ...]:
    """Return every task of a course, the earliest first."""
    return tuple(
        TaskOfCourse(
            key=each.key,
            occurrence=each.occurrence,
            says=each.says,
            due_at=each.due_at,
            state=each.state,
            concern_id=each.concern_id,
        )
        for each in staff_tasks.tasks_of(session, enrollment_id)
    )


def open_due_tasks(database: Database, desk: Desk) -> int:
    """Open a routine concern for each task whose moment has come; returns how many.

    Also for courses that are paused or ended: what staff owe the patient does not end with the messages. The concern
    and the note that it was opened are one commit, so run twice, by two workers or after a crash, each opens once.
    """
    now = desk.clock.now()
    with database.reading() as session:
        if not staff_tasks.has_due(session, desk.practice_id, now):
            return 0
    with database.writing() as session:
        found = staff_tasks.due_tasks(session, desk.practice_id, now)
        for task in found:
            _open(session, desk, task, now)
    return len(found)


def _open(session: Session, desk: Desk, task: ComingTask, now: datetime) -> None:
    """Open one task; due as if it had come up when it should have, but never in the past."""
    due_at = desk.due.due_at("routine", task.due_at, desk.opening)
    concern_id = open_concern(
        session,
        Concern(
            practice_id=desk.practice_id,
            patient_id=task.patient_id,
            enrollment_id=task.enrollment_id,
            kind="task",
            urgency="routine",
            summary=f"{task.says} ({task.procedure})",
            signs=[],
            opened_at=now,
            due_at=due_at if due_at > now else desk.due.due_at("routine", now, desk.opening),
        ),
        by=_BY,
        note=f"{task.key} {task.occurrence}",
    )
    if not staff_tasks.mark_opened(session, task, concern_id):
        raise StateError(
            gettext(
                "the task {task} of enrollment {enrollment_id} changed while it was opened",
                task=task.key,
                enrollment_id=task.enrollment_id,
            )
        )
