"""What is kept of a course that was planned and worded, whosever it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from reminders.care.schedule import Circumstances, OtherMessage
from reminders.care.staff_tasks import DueTask, due_tasks
from reminders.care.values import Outcome
from reminders.desk.composing import ComposedCourse, Desk, compose
from reminders.desk.message_rows import PlannedMessage, planned_rows
from reminders.desk.plans import ReadyPlan
from reminders.desk.read_enrollment import ReadyInput

STILL_AT_DESK = timedelta(hours=4)
"""Enrolled within this time after the procedure, a patient is taken to be at the desk still."""


@dataclass(frozen=True, kw_only=True)
class PlannedCourse:
    """A course as it goes into the database, without the columns that say whose it is; another process may make it."""

    content_hash: str
    """Of the plan that was followed."""
    messages: Sequence[PlannedMessage]
    tasks: Sequence[DueTask]
    spoken: tuple[str, ...]
    """Keys of what must be told at the desk, as no message can reach the patient in time."""
    advice_due_at: datetime | None
    """When staff must have told the patient which pain reliever is right, as no text may name one; None if one may."""


def plan_at_desk(desk: Desk, sound: ReadyInput, *, at: datetime, others: Sequence[OtherMessage] = ()) -> ComposedCourse:
    """Return a new course with its words, enrolled at an instant; raises InputError as `compose` does."""
    course = sound.course
    circumstances = Circumstances(
        not_before=max(at, course.procedure_end),
        at_desk=at - course.procedure_end <= STILL_AT_DESK,
        others=tuple(others),
    )
    return compose(sound.ready, course, circumstances, desk.house, first_name=sound.first_name)


def planned(composed: ComposedCourse, ready: ReadyPlan, *, at: datetime) -> PlannedCourse:
    """Return what is kept of a course that is enrolled at an instant."""
    resolved = composed.resolved
    spoken = {each.joined.first.key for each in composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT}
    needs_advice = {"no_ibuprofen", "no_acetaminophen"} <= resolved.marks
    return PlannedCourse(
        content_hash=ready.content_hash,
        messages=planned_rows(composed),
        tasks=due_tasks(resolved) if resolved.plan.file.staff_task else (),
        spoken=tuple(sorted(spoken)),
        advice_due_at=resolved.anchors.get("block_wears_off", at) if needs_advice else None,
    )
