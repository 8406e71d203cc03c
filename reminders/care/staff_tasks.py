"""When staff have to see to something in a course, beside what the patient is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from reminders.care.moments import moments
from reminders.care.resolving import Resolved
from reminders.care.values import Reason


@dataclass(frozen=True, kw_only=True)
class DueTask:
    """One task of one course at its moment."""

    key: str
    occurrence: int
    """Counted from 1 within a key."""
    says: str
    """What is to be done, as a question."""
    due_at: datetime
    """Instant, UTC; the working hours of the practice are not looked at."""
    reason: Reason


def due_tasks(resolved: Resolved) -> tuple[DueTask, ...]:
    """Return every task of the course that is for this patient, earliest first; () when the plan has none."""
    found = [
        DueTask(key=task.key, occurrence=number, says=task.says, due_at=moment.planned_at, reason=moment.reason)
        for task in resolved.plan.file.staff_task
        if task.applies(resolved.marks)
        for number, moment in enumerate(moments(task, resolved), start=1)
    ]
    return tuple(sorted(found, key=lambda each: (each.due_at, each.key)))
