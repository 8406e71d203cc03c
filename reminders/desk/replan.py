"""Plan a course anew after a change of facts: first the difference, then the change; nothing is said twice."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.schedule import Circumstances, OtherMessage
from reminders.care.staff_tasks import due_tasks
from reminders.care.values import Channel, Course, Outcome
from reminders.desk.composing import ComposedCourse, Desk, compose
from reminders.desk.course_difference import Change, Step, difference
from reminders.desk.course_facts import as_json, from_json
from reminders.desk.message_rows import Belonging, rows_of
from reminders.desk.overlaps import is_twin, running_beside, said_beside, told_apart
from reminders.desk.patient_at_desk import wishes_of
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.plans import ReadyPlan
from reminders.desk.staff_tasks import rows_of_tasks
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound, StateError
from reminders.records import courses, people
from reminders.records.bulk import insert_messages
from reminders.records.message_states import SPENT, MessageState
from reminders.records.staff_tasks import NewTask, replace_waiting
from reminders.records.tables import Contact, Enrollment, Message
from reminders.records.visits import change_visit
from reminders.wording.languages import TranslationStatus
from reminders.words import gettext

__all__ = ["Change", "Proposal", "active_enrollment", "make_room_for", "propose", "refresh_others", "replan"]

_WRITTEN = SPENT - {MessageState.AT_CHECKOUT}
_WHILE_LOOKING = timedelta(minutes=15)
"""What goes out at once moves with the clock while a person looks at the difference; this far it is the same."""
_BEST_FIRST = ("active", "stopped", "unreachable", "released")


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A course planned anew, not stored yet."""

    enrollment_id: int
    course: Course
    changes: tuple[Change, ...]
    steps: tuple[Step, ...]
    tasks: Sequence[NewTask]
    """For staff, in place of those that wait."""


def propose(session: Session, desk: Desk, enrollment_id: int, course: Course) -> Proposal:
    """Return what a course's messages would become under new facts; stores nothing.

    The course goes on by the plan it began with, even when that has changed since. Raises NotFound, StateError when
    the course is not active, InputError when the plan does not allow the facts.
    """
    enrollment = active_enrollment(session, enrollment_id)
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    _refuse_draft(desk, ready, course, before=from_json(enrollment.facts))
    patient = people.patient_of(session, enrollment.patient_id)
    messages = courses.messages_of(session, enrollment_id)
    now = desk.clock.now()
    fitted = _fitted(session, enrollment, course, now)
    circumstances = Circumstances(
        not_before=now,
        at_desk=False,
        spent=courses.spent_of(messages),
        others=said_beside(session, enrollment.patient_id, enrollment_id),
        sent_at=tuple(each.send_at for each in messages if each.state in _WRITTEN),
    )

    def composed_in(circumstances: Circumstances) -> ComposedCourse:
        return compose(ready, fitted, circumstances, desk.house, first_name=patient.first_name if patient else "")

    composed = _at_the_desk_still(messages, circumstances, composed_in) or composed_in(circumstances)
    whose = Belonging(
        practice_id=enrollment.practice_id,
        patient_id=enrollment.patient_id,
        enrollment_id=enrollment_id,
        addresses=_addresses(session, enrollment.patient_id, course, used={each.address for each in messages}),
    )
    changes, steps = difference(messages, rows_of(composed, whose), now=now)
    tasks = rows_of_tasks(due_tasks(composed.resolved), enrollment.practice_id, enrollment_id)
    return Proposal(enrollment_id=enrollment_id, course=fitted, changes=changes, steps=steps, tasks=tasks)


def replan(
    session: Session, desk: Desk, enrollment_id: int, course: Course, *, shown: Sequence[Change] | None = None
) -> Proposal:
    """Store a course planned anew; with `shown`, only if it still comes to what the person was shown.

    The patient's other courses are fitted to it. Raises as `propose` does, and StateError when a message moved on
    meanwhile; then nothing was stored.
    """
    proposal = propose(session, desk, enrollment_id, course)
    if shown is not None and not _still_as(shown, proposal.changes):
        raise StateError(gettext("the course moved on while you were looking; look at the difference again"))
    now = desk.clock.now()
    _store(session, proposal, at=now)
    patient_id = active_enrollment(session, enrollment_id).patient_id
    people.set_patient(session, patient_id, **wishes_of(proposal.course))
    refresh_others(session, desk, patient_id, beside=enrollment_id)
    details = {"messages": len(proposal.changes)}
    about = f"enrollment {enrollment_id}"
    note_change(session, desk, Action.COURSE_CHANGE, (patient_id, about), details=details)
    return proposal


def make_room_for(
    session: Session, desk: Desk, patient_id: int, procedure: str, course: Course
) -> tuple[Course, tuple[OtherMessage, ...]]:
    """Return the new course and the messages of the patient's courses that run already, fitted to each other.

    A twin (two sites treated alike on one day) is said once and names no site. Otherwise all of them name theirs
    from now on; one treated again at the same site names its day as well.
    """
    now = desk.clock.now()
    running = running_beside(session, patient_id, None, now)
    if not running:
        return course, ()
    overlaps = any(not is_twin(each, procedure, course) for each in running)
    for each in running if overlaps else ():
        earlier = from_json(each.facts)
        if each.id is not None and not earlier.overlaps:
            _store(session, propose(session, desk, each.id, replace(earlier, overlaps=True)), at=now)
    placed = told_apart(course, running) if overlaps else course
    return replace(placed, overlaps=overlaps), said_beside(session, patient_id, None)


def refresh_others(session: Session, desk: Desk, patient_id: int, *, beside: int) -> None:
    """Plan the patient's other courses anew, as what one of them left to another may have to be said after all."""
    for enrollment in courses.enrollments_of(session, patient_id, state="active"):
        if enrollment.id is not None and enrollment.id != beside:
            _store(session, propose(session, desk, enrollment.id, from_json(enrollment.facts)), at=desk.clock.now())


def active_enrollment(session: Session, enrollment_id: int) -> Enrollment:
    """Return an enrollment that runs; raises NotFound or StateError."""
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None:
        raise NotFound(gettext("there is no enrollment {enrollment_id}", enrollment_id=enrollment_id))
    if enrollment.state != "active":
        raise StateError(
            gettext(
                "enrollment {enrollment_id} is {state}; enroll the patient anew",
                enrollment_id=enrollment_id,
                state=gettext(enrollment.state),
            )
        )
    return enrollment


def _refuse_draft(desk: Desk, ready: ReadyPlan, course: Course, *, before: Course) -> None:
    """Raise InputError when a course would change to a language whose texts nobody qualified has read."""
    is_draft = ready.statuses.get(course.language) is TranslationStatus.DRAFT
    if is_draft and course.language != before.language and not desk.demo:
        raise InputError(
            gettext(
                "the texts in {language} are a draft that no qualified translator has read, and are not sent",
                language=course.language,
            )
        )


def _fitted(session: Session, enrollment: Enrollment, course: Course, now: datetime) -> Course:
    """Return the course naming its site when another one runs that is no longer like it."""
    if course.overlaps:
        return course
    beside = running_beside(session, enrollment.patient_id, enrollment.id, now)
    overlaps = any(not is_twin(each, enrollment.procedure, course) for each in beside)
    return replace(course, overlaps=True) if overlaps else course


def _at_the_desk_still(
    messages: Sequence[Message], now: Circumstances, compose_in: Callable[[Circumstances], ComposedCourse]
) -> ComposedCourse | None:
    """Return the course as at the desk, while the message that goes out there waits and says what no other can.

    None when it does not, or when the desk would have to say more than it did.
    """
    spoken = {(each.key, each.occurrence) for each in messages if each.state == MessageState.AT_CHECKOUT}
    waits = any(each.state == MessageState.SCHEDULED and "at_checkout" in _rules(each) for each in messages)
    if not spoken or not waits:
        return None
    unsaid = courses.spent_of([each for each in messages if each.state != MessageState.AT_CHECKOUT])
    composed = compose_in(replace(now, at_desk=True, spent=unsaid))
    firsts = [each.joined.first for each in composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT]
    return composed if {(each.key, each.occurrence) for each in firsts} <= spoken else None


def _rules(message: Message) -> set[str]:
    return {reason["rule"] for reason in message.reasons}


def _addresses(session: Session, patient_id: int, course: Course, *, used: Collection[str]) -> Mapping[Channel, str]:
    """Return where the patient is written to on each channel; raises InputError when the course's channel has none.

    An address that is stopped or released may stand here: the gate keeps messages back as long as it is.
    """

    def preference(contact: Contact) -> tuple[int, bool, int]:
        return _BEST_FIRST.index(contact.state), contact.address not in used, -(contact.id or 0)

    found: dict[Channel, str] = {}
    for contact in sorted(people.contacts_of(session, patient_id), key=preference):
        found.setdefault(Channel(contact.channel), contact.address)
    if course.channel not in found:
        raise InputError(
            gettext("the patient has no address for {channel}; record consent for one first", channel=course.channel)
        )
    return found


def _still_as(shown: Sequence[Change], now: Sequence[Change]) -> bool:
    def identity(change: Change) -> tuple[str, int, str]:
        return change.key, change.occurrence, change.what

    pairs = zip(sorted(shown, key=identity), sorted(now, key=identity), strict=False)
    return len(shown) == len(now) and all(
        identity(old) == identity(new) and _near(old.before_at, new.before_at) and _near(old.after_at, new.after_at)
        for old, new in pairs
    )


def _near(one: datetime | None, other: datetime | None) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= _WHILE_LOOKING


def _store(session: Session, proposal: Proposal, *, at: datetime) -> None:
    for step in proposal.steps:
        if step.message_id is None or step.was is None:
            continue
        kept = courses.change_message(session, step.message_id, was=step.was, event=step.event, values=step.values)
        if not kept:
            raise StateError(
                gettext("a message went out while the course was planned anew; look at the difference again")
            )
    insert_messages(session, [step.new for step in proposal.steps if step.new is not None])
    replace_waiting(session, proposal.enrollment_id, proposal.tasks)
    course = proposal.course
    change_visit(session, proposal.enrollment_id, course.visit, at=at)
    courses.set_enrollment(
        session,
        proposal.enrollment_id,
        facts=as_json(course),
        procedure_end=course.procedure_end,
        procedure_on=course.day_0,
    )
