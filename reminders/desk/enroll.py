"""Enroll a patient at checkout: patient, consent, enrollment and every message, in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, OtherMessage
from reminders.care.timing import local_day
from reminders.care.values import Channel, Course, Outcome
from reminders.desk.composing import Composed, ComposedCourse, Desk, compose
from reminders.desk.consent import Statement
from reminders.desk.contact_details import parse_email, parse_name, parse_phone
from reminders.desk.course_facts import CourseInput, as_json, read_course
from reminders.desk.language_choice import choose_language
from reminders.desk.message_rows import Belonging, rows_of
from reminders.desk.patient_at_desk import Person, put_on_record, recognise
from reminders.desk.pinned_plans import keep_plan
from reminders.desk.plans import ReadyPlan
from reminders.desk.replan import make_room_for
from reminders.desk.staff_tasks import rows_of_tasks
from reminders.errors import InputError
from reminders.records import courses
from reminders.records.bulk import insert_messages
from reminders.records.concerns import open_concern
from reminders.records.staff_tasks import add_tasks
from reminders.records.tables import Concern
from reminders.records.visits import keep_first_visit

STANDARD_CONSENT = (
    "desk-1: agreed at the desk to messages about care after this procedure; told that they are not encrypted"
)
"""The consent that staff read out; the words stand on the sheet and in the manual."""

STILL_AT_DESK = timedelta(hours=4)
"""Enrolled within this time after the procedure, a patient is taken to be at the desk still."""

_FURTHEST_AHEAD = timedelta(hours=12)
_FURTHEST_BACK = timedelta(days=30)
_NO_FACTORS = "none"


class AlreadyEnrolled(InputError):
    """The same patient has a course for the same procedure and day; nothing was stored."""

    def __init__(self, enrollment_id: int) -> None:
        self.enrollment_id = enrollment_id
        super().__init__(
            f"this patient has enrollment {enrollment_id} for the same procedure and day; "
            "say --again if a second course is meant"
        )


@dataclass(frozen=True, kw_only=True)
class EnrollmentInput:
    """What the front desk gives for one patient; nothing is checked yet."""

    procedure: str
    first_name: str
    last_name: str = ""
    phone: str = ""
    email: str = ""
    course: CourseInput
    consent: bool
    """The patient agreed to be written to at these addresses."""
    consent_wording: str = STANDARD_CONSENT
    recorded_by: str
    again: bool = False
    """Enroll even though the same patient has a course for the same procedure and day."""


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


@dataclass(frozen=True, kw_only=True)
class ReadyInput:
    """An enrollment that was read and found sound, before anything is stored."""

    ready: ReadyPlan
    course: Course
    first_name: str
    last_name: str
    addresses: Mapping[Channel, str]
    given: EnrollmentInput
    warnings: tuple[str, ...]


def enroll(session: Session, desk: Desk, given: EnrollmentInput) -> Enrolled:
    """Enroll one patient; raises InputError that names every problem, and then nothing was stored."""
    return store(session, desk, read(desk, given))


def read(desk: Desk, given: EnrollmentInput) -> ReadyInput:
    """Check everything that can be checked without the database; raises InputError with every problem."""
    ready = desk.library.get(given.procedure)
    problems: list[str] = []
    course: Course | None = None
    factors = [text.strip() for text in given.course.factors if text.strip()]
    asked = [text for text in factors if text.lower() != _NO_FACTORS]
    if not factors:
        asked = ["history_unknown"]
    language, language_warnings = _language(desk, ready, given.course.language, problems)
    try:
        facts = replace(given.course, factors=tuple(asked), language=language)
        course = read_course(facts, ready.plan, region=desk.region)
    except InputError as error:
        problems += error.problems
    addresses, warnings, address_problems = _addresses(desk, given, course)
    problems += address_problems
    warnings += language_warnings
    if not factors:
        warnings.append(
            "no patient factors were recorded: the pain-relief text asks the patient to call first; "
            "say `none` if you asked and there are none"
        )
    if course is not None:
        problems += _problems_of(desk, ready, course, addresses)
    if not given.consent:
        problems.append("the patient's consent to be written to is missing; ask, then record it")
    first_name, last_name = _names(given, problems)
    if problems or course is None:
        raise InputError(*problems)
    return ReadyInput(
        ready=ready,
        course=course,
        first_name=first_name,
        last_name=last_name,
        addresses=addresses,
        given=given,
        warnings=tuple(warnings),
    )


def store(session: Session, desk: Desk, sound: ReadyInput) -> Enrolled:
    """Store a sound enrollment with all its messages; raises InputError for what only the database knows."""
    now = desk.clock.now()
    ready, course = sound.ready, sound.course
    require_approval(session, desk, ready)
    person = _person(sound)
    known = recognise(session, desk, person)
    procedure_on = local_day(course.procedure_end, course.zone)
    others: Sequence[OtherMessage] = ()
    if known.patient_id is not None:
        _refuse_twice(session, known.patient_id, sound, procedure_on)
        course, others = make_room_for(session, desk, known.patient_id, ready.plan.procedure, course)
    composed = compose(ready, course, _circumstances(course, now, others), desk.house, first_name=sound.first_name)
    keep_plan(session, desk, ready)
    patient_id = put_on_record(session, desk, person, known, at=now)
    enrollment_id = courses.add_enrollment(
        session,
        {
            "practice_id": desk.practice_id,
            "patient_id": patient_id,
            "procedure": ready.plan.procedure,
            "plan_version": ready.plan.file.version,
            "content_hash": ready.content_hash,
            "procedure_on": procedure_on,
            "procedure_end": course.procedure_end,
            "facts": as_json(course),
            "enrolled_by": sound.given.recorded_by,
            "enrolled_at": now,
        },
    )
    whose = Belonging(
        practice_id=desk.practice_id,
        patient_id=patient_id,
        enrollment_id=enrollment_id,
        addresses=sound.addresses,
    )
    insert_messages(session, rows_of(composed, whose))
    add_tasks(session, rows_of_tasks(composed.resolved, desk.practice_id, enrollment_id))
    if course.visit is not None:
        keep_first_visit(session, enrollment_id, course.visit, at=now)
    warnings = (*sound.warnings, *known.warnings, *_desk_warnings(composed))
    _open_tasks(session, composed, whose, at=now)
    return Enrolled(enrollment_id=enrollment_id, patient_id=patient_id, composed=composed, warnings=warnings)


def require_approval(session: Session, desk: Desk, ready: ReadyPlan) -> None:
    """Raise InputError when no clinician of the practice approved the plan as it is now; demo mode needs none."""
    if not desk.demo and not courses.is_approved(session, desk.practice_id, ready.content_hash):
        raise InputError(
            f"no clinician approved {ready.plan.procedure} as it is now; "
            f"run `reminders approve {ready.plan.procedure}` first"
        )


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


def _language(desk: Desk, ready: ReadyPlan, wanted: str, problems: list[str]) -> tuple[str, tuple[str, ...]]:
    try:
        return choose_language(ready, wanted, practice_language=desk.language, drafts_allowed=desk.demo)
    except InputError as error:
        problems += error.problems
        return ready.plan.file.languages[0], ()


def _names(given: EnrollmentInput, problems: list[str]) -> tuple[str, str]:
    names = []
    for text, what in ((given.first_name, "first name"), (given.last_name, "last name")):
        try:
            names.append(parse_name(text, what=what))
        except InputError as error:
            problems += error.problems
            names.append("")
    if not given.first_name.strip():
        problems.append("the first name is missing")
    return names[0], names[1]


def _addresses(
    desk: Desk, given: EnrollmentInput, course: Course | None
) -> tuple[dict[Channel, str], list[str], list[str]]:
    """Return the addresses by channel, warnings and problems."""
    addresses: dict[Channel, str] = {}
    warnings: list[str] = []
    problems: list[str] = []
    zone = course.zone if course else desk.zone
    try:
        if given.phone.strip():
            number = parse_phone(given.phone, region=desk.region, zone=zone, at=desk.clock.now())
            addresses[Channel.SMS] = number.e164
            warnings += number.warnings
    except InputError as error:
        problems += error.problems
    try:
        if given.email.strip():
            addresses[Channel.EMAIL] = parse_email(given.email)
    except InputError as error:
        problems += error.problems
    return addresses, warnings, problems


def _problems_of(desk: Desk, ready: ReadyPlan, course: Course, addresses: Mapping[Channel, str]) -> list[str]:
    problems: list[str] = []
    now = desk.clock.now()
    try:
        resolve(ready.plan, course)
    except InputError as error:
        problems += error.problems
    if course.channel not in addresses:
        wanted = "a mobile number" if course.channel is Channel.SMS else "an e-mail address"
        problems.append(f"{wanted} is needed to write by {course.channel}")
    if course.procedure_end - now > _FURTHEST_AHEAD:
        problems.append("the procedure ends more than 12 h from now; check the date, the zone and a.m./p.m.")
    if now - course.procedure_end > _FURTHEST_BACK:
        problems.append("the procedure ended more than 30 days ago; check the date")
    return problems


def _desk_warnings(composed: ComposedCourse) -> list[str]:
    warnings = []
    spoken = [each.joined.first.key for each in composed.messages if each.joined.outcome is Outcome.AT_CHECKOUT]
    if spoken:
        warnings.append(
            f"say at the desk, as no message can reach the patient in time: {', '.join(sorted(set(spoken)))}"
        )
    return warnings


def _open_tasks(session: Session, composed: ComposedCourse, whose: Belonging, *, at: datetime) -> None:
    """Open what staff must do because no automatic text may: advice on pain relief when no medicine may be named."""
    if {"no_ibuprofen", "no_acetaminophen"} <= composed.resolved.marks:
        open_concern(
            session,
            Concern(
                practice_id=whose.practice_id,
                patient_id=whose.patient_id,
                enrollment_id=whose.enrollment_id,
                kind="task",
                urgency="routine",
                summary="Tell the patient which pain reliever is right: no text may name one for them.",
                signs=[],
                opened_at=at,
                due_at=composed.resolved.anchors.get("block_wears_off", at),
            ),
            by="enrollment",
        )
