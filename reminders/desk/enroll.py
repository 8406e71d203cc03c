"""Enroll patients at checkout: patient, consent, enrollment and every message, in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy.orm import Session

from reminders.care.schedule import OtherMessage
from reminders.care.timing import local_day
from reminders.care.values import Channel, Course, Outcome
from reminders.desk.composing import Composed, ComposedCourse, Desk
from reminders.desk.course_facts import as_json
from reminders.desk.message_rows import Belonging, columns_of
from reminders.desk.patient_at_desk import SILENCED, Person, Recognised, put_on_record, recognise
from reminders.desk.pinned_plans import keep_plan
from reminders.desk.planned_course import PlannedCourse, plan_at_desk, planned
from reminders.desk.plans import ReadyPlan
from reminders.desk.read_enrollment import STANDARD_CONSENT, EnrollmentInput, ReadyInput, read
from reminders.desk.replan import make_room_for
from reminders.desk.staff_tasks import rows_of_tasks
from reminders.desk.trail import Action, Look, note_change
from reminders.errors import InputError, ReminderError
from reminders.records import courses, people
from reminders.records.bulk import insert_owned_messages
from reminders.records.concerns import open_concerns_at_once
from reminders.records.people import Holder
from reminders.records.silenced import silenced_among
from reminders.records.staff_tasks import add_tasks
from reminders.records.tables_concerns import Concern
from reminders.records.visits import keep_first_visits
from reminders.sentences import english
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
    "shown_by_trial",
    "store_each",
]


_Holders = Mapping[Channel, Mapping[str, Sequence[Holder]]]


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
class Stored:
    """An enrollment that is in the database."""

    enrollment_id: int
    patient_id: int
    was_known: bool
    """Whether the patient had been here before."""
    warnings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Enrolled(Stored):
    """The same with its messages."""

    composed: ComposedCourse

    @property
    def say_at_desk(self) -> tuple[Composed, ...]:
        """What staff must tell the patient now, as no message can reach them in time."""
        return tuple(each for each in self.composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT)


def enroll(session: Session, desk: Desk, given: EnrollmentInput) -> Enrolled:
    """Enroll one patient; raises InputError that names every problem, and then nothing was stored."""
    sound = read(desk, given)
    require_approval(session, desk, sound.ready)
    now = desk.clock.now()
    draft = _worded(session, desk, sound, _holders(session, desk, [sound]), at=now)
    (stored,) = _stored(session, desk, [draft], at=now)
    return Enrolled(**vars(stored), composed=draft.composed)


class ToStore(NamedTuple):
    """A sound enrollment, and its course if somebody planned it by the same plan for a patient nobody knows."""

    sound: ReadyInput
    planned: PlannedCourse | None = None


def store_each(session: Session, desk: Desk, each: Sequence[ToStore]) -> list[Stored | ReminderError]:
    """Store sound enrollments with all their messages, and return what came of each, in order.

    An error stands for one that the database showed to be wrong; nothing of it was stored. Each table is written by
    one statement for all, which is what makes a long list quick.
    """
    outcomes: list[Stored | ReminderError] = []
    while len(outcomes) < len(each):
        outcomes += _store_together(session, desk, _without_a_shared_address(each[len(outcomes) :]))
    return outcomes


def shown_by_trial(outcome: Stored | AlreadyEnrolled) -> tuple[Look, ...]:
    """Return of whom something is shown when an enrollment is only tried: a patient who was here before."""
    if isinstance(outcome, AlreadyEnrolled):
        return ((None, f"enrollment {outcome.enrollment_id}"),)
    return ((outcome.patient_id, ""),) if outcome.was_known else ()


def is_approved(session: Session, desk: Desk, ready: ReadyPlan) -> bool:
    """Say whether a clinician of the practice approved the plan as it is now; demo mode needs none."""
    return desk.demo or courses.is_approved(session, desk.practice_id, ready.content_hash)


def require_approval(session: Session, desk: Desk, ready: ReadyPlan) -> None:
    """Raise InputError when nobody approved the plan as it is now."""
    if not is_approved(session, desk, ready):
        says = marked(
            "no clinician approved {procedure} as it is now; one does on its page under Plans, or by "
            "`reminders approve {procedure}`"
        )
        raise InputError(gettext(says, procedure=ready.plan.procedure))


@dataclass(frozen=True, kw_only=True)
class _Draft:
    """An enrollment that was planned, and is not stored yet."""

    sound: ReadyInput
    person: Person
    known: Recognised
    course: Course
    planned: PlannedCourse


@dataclass(frozen=True, kw_only=True)
class _Worded(_Draft):
    """One that was planned here."""

    composed: ComposedCourse


def _without_a_shared_address(those: Sequence[ToStore]) -> Sequence[ToStore]:
    """Return the first enrollments of which no two have an address in common: they can't be one person's."""
    taken: set[str] = set()
    for place, each in enumerate(those):
        addresses = each.sound.addresses.values()
        if not taken.isdisjoint(addresses):
            return those[:place]
        taken.update(addresses)
    return those


def _store_together(session: Session, desk: Desk, those: Sequence[ToStore]) -> list[Stored | ReminderError]:
    now = desk.clock.now()
    drafts = _drafts(session, desk, those, at=now)
    stored = iter(_stored(session, desk, [each for each in drafts if isinstance(each, _Draft)], at=now))
    return [next(stored) if isinstance(each, _Draft) else each for each in drafts]


def _drafts(session: Session, desk: Desk, those: Sequence[ToStore], *, at: datetime) -> list[_Draft | ReminderError]:
    plans = {each.sound.ready.content_hash: each.sound.ready for each in those}
    unapproved = {name: _unapproved(session, desk, ready) for name, ready in plans.items()}
    holders = _holders(session, desk, [each.sound for each in those])
    return [
        unapproved[each.sound.ready.content_hash] or _drafted(session, desk, each, holders, at=at) for each in those
    ]


def _holders(session: Session, desk: Desk, those: Sequence[ReadyInput]) -> _Holders:
    """Return who has the patients' addresses, by channel and address."""
    return {
        channel: _holders_on(session, desk, channel, addresses)
        for channel in Channel
        if (addresses := [each.addresses[channel] for each in those if channel in each.addresses])
    }


def _holders_on(
    session: Session, desk: Desk, channel: Channel, addresses: Sequence[str]
) -> dict[str, tuple[Holder, ...]]:
    found = people.holders_at(session, desk.practice_id, channel.value, addresses)
    nobody = Holder(patient_id=0, first_name="", last_name="", contact_state=SILENCED)
    for address in silenced_among(session, desk.practice_id, channel.value, addresses):
        found[address] = (*found.get(address, ()), nobody)
    return found


def _unapproved(session: Session, desk: Desk, ready: ReadyPlan) -> InputError | None:
    try:
        require_approval(session, desk, ready)
    except InputError as error:
        return error
    return None


def _drafted(
    session: Session, desk: Desk, to_store: ToStore, holders: _Holders, *, at: datetime
) -> _Draft | ReminderError:
    sound, ahead = to_store
    try:
        if ahead is not None:
            person = _person(sound)
            known = recognise(person, holders)
            if known.patient_id is None:
                return _Draft(sound=sound, person=person, known=known, course=sound.course, planned=ahead)
        return _worded(session, desk, sound, holders, at=at)
    except ReminderError as error:
        return error


def _worded(session: Session, desk: Desk, sound: ReadyInput, holders: _Holders, *, at: datetime) -> _Worded:
    """Return an enrollment planned and worded, fitted to what the patient's other courses say; raises InputError."""
    person, course = _person(sound), sound.course
    known = recognise(person, holders)
    others: Sequence[OtherMessage] = ()
    # Other courses of a known patient may change to make room; they stay as they are when this one is refused.
    with nullcontext() if known.patient_id is None else session.begin_nested():
        if known.patient_id is not None:
            _refuse_twice(session, known.patient_id, sound, local_day(course.procedure_end, course.zone))
            procedure = sound.ready.plan.procedure
            course, others = make_room_for(session, desk, known.patient_id, procedure, course)
        composed = plan_at_desk(desk, replace(sound, course=course), at=at, others=others)
    return _Worded(
        sound=sound,
        person=person,
        known=known,
        course=course,
        planned=planned(composed, sound.ready, at=at),
        composed=composed,
    )


def _stored(session: Session, desk: Desk, drafts: Sequence[_Draft], *, at: datetime) -> list[Stored]:
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
    insert_owned_messages(
        session, [(columns_of(whose, draft.course.channel), draft.planned.messages) for draft, whose in pairs]
    )
    tasks = (rows_of_tasks(draft.planned.tasks, whose.practice_id, whose.enrollment_id) for draft, whose in pairs)
    add_tasks(session, [task for each in tasks for task in each])
    visits = {whose.enrollment_id: draft.course.visit for draft, whose in pairs if draft.course.visit is not None}
    keep_first_visits(session, desk.practice_id, visits, at=at)
    advice = [
        _advice_to_give(whose, at=at, due_at=draft.planned.advice_due_at)
        for draft, whose in pairs
        if draft.planned.advice_due_at is not None
    ]
    open_concerns_at_once(session, advice, by=marked("enrollment"))
    for whose in belongings:
        about = f"enrollment {whose.enrollment_id}"
        note_change(session, desk, Action.PATIENT_ENROLL, (whose.patient_id, about))
    return [
        Stored(
            enrollment_id=whose.enrollment_id,
            patient_id=whose.patient_id,
            was_known=draft.known.patient_id is not None,
            warnings=(*draft.sound.warnings, *draft.known.warnings, *_desk_warnings(draft.planned)),
        )
        for draft, whose in pairs
    ]


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
        "enrolled_by": draft.sound.consent.recorded_by,
        "enrolled_at": at,
    }


def _person(sound: ReadyInput) -> Person:
    return Person(
        first_name=sound.first_name,
        last_name=sound.last_name,
        addresses=sound.addresses,
        course=sound.course,
        consent=sound.consent,
    )


def _refuse_twice(session: Session, patient_id: int, sound: ReadyInput, procedure_on: date) -> None:
    earlier = courses.same_enrollment(session, patient_id, sound.ready.plan.procedure, procedure_on)
    if earlier is not None and not sound.again:
        raise AlreadyEnrolled(earlier)


def _desk_warnings(course: PlannedCourse) -> list[str]:
    if not course.spoken:
        return []
    return [
        gettext("say at the desk, as no message can reach the patient in time: {texts}", texts=", ".join(course.spoken))
    ]


def _advice_to_give(whose: Belonging, *, at: datetime, due_at: datetime) -> Concern:
    """Return what staff must do because no automatic text may: advice on pain relief when no medicine may be named."""
    return Concern(
        practice_id=whose.practice_id,
        patient_id=whose.patient_id,
        enrollment_id=whose.enrollment_id,
        kind="task",
        urgency="routine",
        summary=english("Tell the patient which pain reliever is right: no text may name one for them."),
        signs=[],
        opened_at=at,
        due_at=due_at,
    )
