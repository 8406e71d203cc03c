"""Enroll patients at checkout: patient, consent, enrollment and every message, in one transaction."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.schedule import Circumstances, OtherMessage
from reminders.care.timing import local_day
from reminders.care.values import Channel, Course, Outcome
from reminders.desk.composing import Composed, ComposedCourse, Desk, compose
from reminders.desk.consent import Statement
from reminders.desk.course_facts import as_json
from reminders.desk.message_rows import Belonging, rows_of
from reminders.desk.patient_at_desk import Person, Recognised, put_on_record, recognise
from reminders.desk.pinned_plans import keep_plan
from reminders.desk.plans import ReadyPlan
from reminders.desk.read_enrollment import STANDARD_CONSENT, EnrollmentInput, ReadyInput, read
from reminders.desk.replan import make_room_for
from reminders.desk.staff_tasks import rows_of_tasks
from reminders.errors import InputError, ReminderError
from reminders.records import courses, people
from reminders.records.bulk import insert_messages
from reminders.records.concerns import open_concerns_at_once
from reminders.records.people import Holder
from reminders.records.staff_tasks import add_tasks
from reminders.records.tables import Concern
from reminders.records.visits import keep_first_visits
from reminders.words import gettext, marked

__all__ = [
    "STANDARD_CONSENT",
    "AlreadyEnrolled",
    "Enrolled",
    "EnrollmentInput",
    "ReadyInput",
    "enroll",
    "read",
    "require_approval",
    "store_each",
]

STILL_AT_DESK = timedelta(hours=4)
"""Enrolled within this time after the procedure, a patient is taken to be at the desk still."""


class AlreadyEnrolled(InputError):
    """The same patient has a course for the same procedure and day; nothing was stored."""

    def __init__(self, enrollment_id: int) -> None:
        self.enrollment_id = enrollment_id
        super().__init__(
            gettext(
                "this patient has enrollment {enrollment_id} for the same procedure and day; "
                "say --again if a second course is meant",
                enrollment_id=enrollment_id,
            )
        )


@dataclass(frozen=True, kw_only=True)
class Enrolled:
    """What came of an enrollment."""

    enrollment_id: int
    patient_id: int
    composed: ComposedCourse
    warnings: tuple[str, ...]

    @property
    def say_at_desk(self) -> tuple[Composed, ...]:
        """What staff must tell the patient now, as no message can reach them in time."""
        return tuple(each for each in self.composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT)


def enroll(session: Session, desk: Desk, given: EnrollmentInput) -> Enrolled:
    """Enroll one patient; raises InputError that names every problem, and then nothing was stored."""
    (outcome,) = store_each(session, desk, [read(desk, given)])
    if isinstance(outcome, ReminderError):
        raise outcome
    return outcome


def store_each(session: Session, desk: Desk, sound: Sequence[ReadyInput]) -> list[Enrolled | ReminderError]:
    """Store sound enrollments with all their messages, and return what came of each, in order.

    An error stands for one that the database showed to be wrong; nothing of it was stored. Each table is written by
    one statement for all, which is what makes a long list quick.
    """
    outcomes: list[Enrolled | ReminderError] = []
    while len(outcomes) < len(sound):
        outcomes += _store_together(session, desk, _without_a_shared_address(sound[len(outcomes) :]))
    return outcomes


def require_approval(session: Session, desk: Desk, ready: ReadyPlan) -> None:
    """Raise InputError when no clinician of the practice approved the plan as it is now; demo mode needs none."""
    if not desk.demo and not courses.is_approved(session, desk.practice_id, ready.content_hash):
        raise InputError(
            gettext(
                "no clinician approved {procedure} as it is now; run `reminders approve {procedure}` first",
                procedure=ready.plan.procedure,
            )
        )


@dataclass(frozen=True, kw_only=True)
class _Draft:
    """An enrollment that was planned and worded, and is not stored yet."""

    sound: ReadyInput
    person: Person
    known: Recognised
    course: Course
    composed: ComposedCourse


def _without_a_shared_address(sound: Sequence[ReadyInput]) -> Sequence[ReadyInput]:
    """Return the first enrollments of which no two have an address in common: they can't be one person's."""
    taken: set[str] = set()
    for place, each in enumerate(sound):
        if not taken.isdisjoint(each.addresses.values()):
            return sound[:place]
        taken.update(each.addresses.values())
    return sound


def _store_together(session: Session, desk: Desk, sound: Sequence[ReadyInput]) -> list[Enrolled | ReminderError]:
    now = desk.clock.now()
    plans = {each.ready.content_hash: each.ready for each in sound}
    unapproved = {name: _unapproved(session, desk, ready) for name, ready in plans.items()}
    holders = {
        channel: people.holders_at(session, desk.practice_id, channel.value, addresses)
        for channel in Channel
        if (addresses := [each.addresses[channel] for each in sound if channel in each.addresses])
    }
    drafts = [unapproved[each.ready.content_hash] or _drafted(session, desk, each, holders, at=now) for each in sound]
    stored = _stored(session, desk, [each for each in drafts if isinstance(each, _Draft)], at=now)
    return [next(stored) if isinstance(each, _Draft) else each for each in drafts]


def _unapproved(session: Session, desk: Desk, ready: ReadyPlan) -> InputError | None:
    try:
        require_approval(session, desk, ready)
    except InputError as error:
        return error
    return None


def _drafted(
    session: Session,
    desk: Desk,
    sound: ReadyInput,
    holders: Mapping[Channel, Mapping[str, Sequence[Holder]]],
    *,
    at: datetime,
) -> _Draft | ReminderError:
    """Return an enrollment planned and worded, fitted to what the patient's other courses say."""
    person = _person(sound)
    ready, course = sound.ready, sound.course
    others: Sequence[OtherMessage] = ()
    try:
        known = recognise(person, holders)
        # Other courses of a known patient may change to make room; they stay as they are when this one is refused.
        with nullcontext() if known.patient_id is None else session.begin_nested():
            if known.patient_id is not None:
                _refuse_twice(session, known.patient_id, sound, local_day(course.procedure_end, course.zone))
                course, others = make_room_for(session, desk, known.patient_id, ready.plan.procedure, course)
            circumstances = _circumstances(course, at, others)
            composed = compose(ready, course, circumstances, desk.house, first_name=sound.first_name)
    except ReminderError as error:
        return error
    return _Draft(sound=sound, person=person, known=known, course=course, composed=composed)


def _stored(session: Session, desk: Desk, drafts: Sequence[_Draft], *, at: datetime) -> Iterator[Enrolled]:
    for ready in {draft.sound.ready.content_hash: draft.sound.ready for draft in drafts}.values():
        keep_plan(session, desk, ready)
    patient_ids = put_on_record(session, desk, [(draft.person, draft.known.patient_id) for draft in drafts], at=at)
    enrollment_ids = courses.add_enrollments(
        session,
        [_enrollment(desk, draft, patient_id, at) for draft, patient_id in zip(drafts, patient_ids, strict=True)],
    )
    belongings = [
        Belonging(
            practice_id=desk.practice_id,
            patient_id=patient_id,
            enrollment_id=enrollment_id,
            addresses=draft.sound.addresses,
        )
        for draft, patient_id, enrollment_id in zip(drafts, patient_ids, enrollment_ids, strict=True)
    ]
    pairs = list(zip(drafts, belongings, strict=True))
    insert_messages(session, [row for draft, whose in pairs for row in rows_of(draft.composed, whose)])
    tasks = (rows_of_tasks(draft.composed.resolved, whose.practice_id, whose.enrollment_id) for draft, whose in pairs)
    add_tasks(session, [task for each in tasks for task in each])
    visits = {whose.enrollment_id: draft.course.visit for draft, whose in pairs if draft.course.visit is not None}
    keep_first_visits(session, visits, at=at)
    advice = [_advice_to_give(draft.composed, whose, at=at) for draft, whose in pairs if _needs_advice(draft.composed)]
    open_concerns_at_once(session, advice, by="enrollment")
    for draft, whose in pairs:
        warnings = (*draft.sound.warnings, *draft.known.warnings, *_desk_warnings(draft.composed))
        yield Enrolled(
            enrollment_id=whose.enrollment_id, patient_id=whose.patient_id, composed=draft.composed, warnings=warnings
        )


def _enrollment(desk: Desk, draft: _Draft, patient_id: int, at: datetime) -> dict[str, object]:
    ready, course = draft.sound.ready, draft.course
    return {
        "practice_id": desk.practice_id,
        "patient_id": patient_id,
        "procedure": ready.plan.procedure,
        "plan_version": ready.plan.file.version,
        "content_hash": ready.content_hash,
        "procedure_on": local_day(course.procedure_end, course.zone),
        "procedure_end": course.procedure_end,
        "facts": as_json(course),
        "enrolled_by": draft.sound.given.recorded_by,
        "enrolled_at": at,
    }


def _person(sound: ReadyInput) -> Person:
    return Person(
        first_name=sound.first_name,
        last_name=sound.last_name,
        addresses=sound.addresses,
        course=sound.course,
        consent=Statement(wording=sound.given.consent_wording, recorded_by=sound.given.recorded_by),
    )


def _refuse_twice(session: Session, patient_id: int, sound: ReadyInput, procedure_on: date) -> None:
    earlier = courses.same_enrollment(session, patient_id, sound.ready.plan.procedure, procedure_on)
    if earlier is not None and not sound.given.again:
        raise AlreadyEnrolled(earlier)


def _circumstances(course: Course, now: datetime, others: Sequence[OtherMessage]) -> Circumstances:
    return Circumstances(
        not_before=max(now, course.procedure_end),
        at_desk=now - course.procedure_end <= STILL_AT_DESK,
        others=tuple(others),
    )


def _desk_warnings(composed: ComposedCourse) -> list[str]:
    warnings = []
    spoken = [each.joined.first.key for each in composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT]
    if spoken:
        warnings.append(
            gettext(
                "say at the desk, as no message can reach the patient in time: {texts}",
                texts=", ".join(sorted(set(spoken))),
            )
        )
    return warnings


def _needs_advice(composed: ComposedCourse) -> bool:
    return {"no_ibuprofen", "no_acetaminophen"} <= composed.resolved.marks


def _advice_to_give(composed: ComposedCourse, whose: Belonging, *, at: datetime) -> Concern:
    """Return what staff must do because no automatic text may: advice on pain relief when no medicine may be named."""
    return Concern(
        practice_id=whose.practice_id,
        patient_id=whose.patient_id,
        enrollment_id=whose.enrollment_id,
        kind="task",
        urgency="routine",
        summary=marked("Tell the patient which pain reliever is right: no text may name one for them."),
        signs=[],
        opened_at=at,
        due_at=composed.resolved.anchors.get("block_wears_off", at),
    )
