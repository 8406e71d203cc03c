"""A reply is never less urgent than the plan told the patient: what the plan calls an emergency is one."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy.orm import Session

from reminders.care.plan import WarningSign
from reminders.care.timing import course_day
from reminders.desk.composing import Desk
from reminders.desk.course_facts import from_json
from reminders.desk.pinned_plans import pinned_plan
from reminders.errors import PlanError, StateError
from reminders.records.tables import Enrollment
from reminders.replies import Evidence, Label, Triage
from reminders.sentences import english

_RANKS = (Label.NONE, Label.ROUTINE, Label.URGENT, Label.EMERGENCY)


def heed_plan(session: Session, desk: Desk, found: Triage, enrollment: Enrollment | None) -> Triage:
    """Raise a reply's label to what the course's plan says of the signs found in it; it is never lowered.

    Without a course, or when its plan can't be read any more, the reply stays as it was read.
    """
    if enrollment is None or not found.signs:
        return found
    course = from_json(enrollment.facts)
    today = course_day(desk.clock.now(), procedure_end=course.procedure_end, zone=course.zone)
    try:
        plan = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash).plan
    except (PlanError, StateError):
        return found
    for warning in plan.file.warning_sign:
        says = Label(warning.urgency)
        in_time = warning.reply_until_day is None or today <= warning.reply_until_day
        if in_time and _is_told(warning, found) and _rank(says) > _rank(found.label):
            note = english("the plan says: {sign}").format(sign=warning.sign)
            because = Evidence(rule="plan", words="", start=0, end=0, note=note)
            found = replace(found, label=says, why=(*found.why, because))
    return found


def _is_told(warning: WarningSign, found: Triage) -> bool:
    return any({name.strip() for name in each.split("+")} <= set(found.signs) for each in warning.reply_signs)


def _rank(label: Label) -> int:
    """Return how urgent a label is; what asks for no messages is served first, then raised only by what can't wait."""
    return _RANKS.index(label) if label in _RANKS else _RANKS.index(Label.ROUTINE)
