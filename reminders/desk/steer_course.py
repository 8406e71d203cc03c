"""What staff do to a running course when a concern calls for it: pause, resume, end, extend."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from reminders.care.resolving import effective_settings
from reminders.care.values import Course
from reminders.desk.changed_facts import Changes, changed_course
from reminders.desk.composing import Desk
from reminders.desk.concerns import note_on_concern
from reminders.desk.course_difference import Change, waiting_changes
from reminders.desk.course_facts import from_json
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.replan import Proposal, active_enrollment, propose, refresh_others, replan
from reminders.desk.trail import Action, Look, note_change
from reminders.errors import InputError, StateError
from reminders.records import concerns, courses
from reminders.records.tables import Enrollment
from reminders.sentences import english
from reminders.words import gettext

EXTENDED = "stop_day"
"""The setting that says on which day soaks and ointment end."""


@dataclass(frozen=True, kw_only=True)
class Decision:
    """Who decided, why, and about which concern if one led to it."""

    by: str
    reason: str = ""
    concern_id: int | None = None


def not_sent_meanwhile(session: Session, enrollment_id: int) -> tuple[Change, ...]:
    """Return what would not be sent if the course ended or stayed paused; raises as `active_enrollment` does."""
    active_enrollment(session, enrollment_id)
    return waiting_changes(courses.messages_of(session, enrollment_id))


def pause_course(session: Session, desk: Desk, enrollment_id: int, decision: Decision) -> None:
    """Send nothing of a course until it is resumed; answers to what the patient writes go on.

    Raises NotFound, or StateError when it does not run or is paused already.
    """
    enrollment = active_enrollment(session, enrollment_id)
    if enrollment.paused_at is not None:
        raise StateError(gettext("enrollment {enrollment_id} is paused already", enrollment_id=enrollment_id))
    courses.set_enrollment(session, enrollment_id, paused_at=desk.clock.now())
    note_change(session, desk, Action.COURSE_PAUSE, _look(enrollment))
    _note(session, desk, enrollment, decision, english("course {id} paused"))


def propose_resuming(session: Session, desk: Desk, enrollment_id: int) -> Proposal:
    """Return what a paused course's messages become if it goes on now; stores nothing."""
    enrollment = _paused(session, enrollment_id)
    return propose(session, desk, enrollment_id, from_json(enrollment.facts))


def resume_course(session: Session, desk: Desk, enrollment_id: int, decision: Decision) -> Proposal:
    """Let a paused course go on, planned anew from now: what is no longer useful stays unsaid.

    Raises NotFound, or StateError when it does not run or is not paused.
    """
    enrollment = _paused(session, enrollment_id)
    courses.set_enrollment(session, enrollment_id, paused_at=None)
    note_change(session, desk, Action.COURSE_RESUME, _look(enrollment))
    proposal = replan(session, desk, enrollment_id, from_json(enrollment.facts))
    _note(session, desk, enrollment, decision, english("course {id} resumed"))
    return proposal


def end_course(session: Session, desk: Desk, enrollment_id: int, decision: Decision) -> int:
    """End a course before its last day, as the patient needs it no more; returns how many messages are not sent.

    Its tasks for staff stay: a result is owed to a patient who wants no messages, too. The patient's other courses
    are planned anew, as `cancel_course` does. Raises NotFound, or StateError.
    """
    enrollment = active_enrollment(session, enrollment_id)
    courses.set_enrollment(session, enrollment_id, state="ended", ended_at=desk.clock.now(), paused_at=None)
    ended = english("the course was ended by {name}").format(name=decision.by)
    detail = ended + (f": {decision.reason}" if decision.reason else "")
    count = courses.cancel_waiting(session, enrollment_id, detail=detail)
    refresh_others(session, desk, enrollment.patient_id, beside=enrollment_id)
    note_change(session, desk, Action.COURSE_END, _look(enrollment))
    _note(session, desk, enrollment, decision, english("course {id} ended"))
    return count


def extended_course(session: Session, desk: Desk, enrollment_id: int, days: int) -> Course:
    """Return the course with soaks and ointment going on for so many days more; fewer when negative.

    Raises InputError when the plan has no such day, or does not allow that many.
    """
    enrollment = active_enrollment(session, enrollment_id)
    plan = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash).plan
    values = effective_settings(plan, from_json(enrollment.facts).settings)
    if EXTENDED not in values:
        raise InputError(
            gettext(
                "{procedure} has no {setting}; change its settings with `reminders replan`",
                procedure=enrollment.procedure,
                setting=EXTENDED,
            )
        )
    changes = Changes(settings={EXTENDED: str(int(values[EXTENDED]) + days)})
    return changed_course(session, desk, enrollment_id, changes)


def extend_course(session: Session, desk: Desk, enrollment_id: int, course: Course, decision: Decision) -> Proposal:
    """Store what `extended_course` returned, and note it on the concern."""
    enrollment = active_enrollment(session, enrollment_id)
    proposal = replan(session, desk, enrollment_id, course)
    goes_on = english("course {id} goes on until day {day}")
    _note(session, desk, enrollment, decision, goes_on, day=course.settings[EXTENDED])
    return proposal


def shift_course(session: Session, desk: Desk, enrollment_id: int, shown: Proposal, decision: Decision) -> Proposal:
    """Store changed facts, as when a dressing came off early, and note it on the concern that led to it.

    `shown` is what the person saw. Raises as `replan` does: StateError when that is not what would change now.
    """
    enrollment = active_enrollment(session, enrollment_id)
    proposal = replan(session, desk, enrollment_id, shown.course, shown=shown.changes)
    anew = english("course {id} planned anew, {count} messages change")
    _note(session, desk, enrollment, decision, anew, count=len(proposal.changes))
    return proposal


def _look(enrollment: Enrollment) -> Look:
    return enrollment.patient_id, f"enrollment {enrollment.id}"


def _paused(session: Session, enrollment_id: int) -> Enrollment:
    enrollment = active_enrollment(session, enrollment_id)
    if enrollment.paused_at is None:
        raise StateError(gettext("enrollment {enrollment_id} is not paused", enrollment_id=enrollment_id))
    return enrollment


def _note(
    session: Session, desk: Desk, enrollment: Enrollment, decision: Decision, what: str, **values: object
) -> None:
    """Add what was decided to the history of the concern that led to it; raises InputError when it is another's."""
    if decision.concern_id is None:
        return
    concern = concerns.concern_of(session, decision.concern_id)
    if concern is not None and concern.patient_id != enrollment.patient_id:
        raise InputError(
            gettext(
                "concern {concern_id} is about somebody else than enrollment {enrollment_id}",
                concern_id=decision.concern_id,
                enrollment_id=enrollment.id,
            )
        )
    note = what.format(id=enrollment.id, **values) + (f": {decision.reason}" if decision.reason else "")
    note_on_concern(session, desk, decision.concern_id, by=decision.by, note=note)
