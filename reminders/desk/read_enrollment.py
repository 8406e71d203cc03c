"""What the front desk typed for one patient, read and checked as far as that goes without the database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

from reminders.care.resolving import resolve
from reminders.care.values import Channel, Course
from reminders.desk.blamed import blame
from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_email, parse_name, parse_phone
from reminders.desk.course_facts import CourseInput, read_course
from reminders.desk.language_choice import choose_language
from reminders.desk.mail_warning import Unwarned, require_warning
from reminders.desk.plans import ReadyPlan
from reminders.desk.statement import Statement
from reminders.errors import InputError
from reminders.words import gettext, marked

STANDARD_CONSENT = (
    "desk-1: agreed at the desk to messages about care after this procedure; told that they are not encrypted"
)
"""The consent that staff read out; the words stand on the sheet and in the manual."""

_FURTHEST_AHEAD = timedelta(hours=12)
_FURTHEST_BACK = timedelta(days=30)
_NO_FACTORS = "none"


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
class SoundInput:
    """An enrollment that was read and found sound, without its plan; another process may have read it."""

    course: Course
    first_name: str
    last_name: str
    addresses: Mapping[Channel, str]
    consent: Statement
    again: bool
    """As in `EnrollmentInput`."""
    warnings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ReadyInput(SoundInput):
    """The same with its plan, before anything is stored."""

    ready: ReadyPlan

    def without_plan(self) -> SoundInput:
        """Return what can be handed to another process, which has the plan itself."""
        return SoundInput(**{name: value for name, value in vars(self).items() if name != "ready"})


def read(desk: Desk, given: EnrollmentInput) -> ReadyInput:
    """Check everything that can be checked without the database; raises InputError with every problem."""
    ready = desk.library.get(given.procedure)
    problems: list[str] = []
    factors = [text.strip() for text in given.course.factors if text.strip()]
    language, language_warnings = _language(desk, ready, given.course.language, problems)
    course = _course(desk, ready, replace(given.course, factors=tuple(factors), language=language), problems)
    addresses, warnings, address_problems = _addresses(desk, given, course)
    problems += address_problems
    warnings += language_warnings
    if not factors:
        warnings.append(
            gettext(
                "no patient factors were recorded: the pain-relief text asks the patient to call first; "
                "say `none` if you asked and there are none"
            )
        )
    if course is not None:
        problems += _problems_of(desk, ready, course)
        problems += _problems_of_channel(given, course.channel, addresses)
    problems += _problems_of_consent(given, addresses)
    first_name, last_name = _names(given, problems)
    if problems or course is None:
        raise InputError(*problems)
    return ReadyInput(
        ready=ready,
        course=course,
        first_name=first_name,
        last_name=last_name,
        addresses=addresses,
        consent=Statement(wording=given.consent_wording, recorded_by=given.recorded_by),
        again=given.again,
        warnings=tuple(warnings),
    )


def _course(desk: Desk, ready: ReadyPlan, given: CourseInput, problems: list[str]) -> Course | None:
    asked = tuple(text for text in given.factors if text.lower() != _NO_FACTORS)
    try:
        facts = replace(given, factors=asked if given.factors else ("history_unknown",))
        return read_course(facts, ready.plan, region=desk.region)
    except InputError as error:
        problems += error.problems
        return None


def _problems_of_consent(given: EnrollmentInput, addresses: Mapping[Channel, str]) -> list[str]:
    if not given.consent:
        missing = gettext("the patient's consent to be written to is missing; ask, then record it")
        return blame("consent", [missing])
    if Channel.EMAIL in addresses:
        try:
            require_warning(given.consent_wording)
        except Unwarned as error:
            return blame("consent_wording", error.problems)
    return []


def _language(desk: Desk, ready: ReadyPlan, wanted: str, problems: list[str]) -> tuple[str, tuple[str, ...]]:
    try:
        return choose_language(ready, wanted, practice_language=desk.language, drafts_allowed=desk.demo)
    except InputError as error:
        problems += blame("language", error.problems)
        return ready.plan.file.languages[0], ()


def _names(given: EnrollmentInput, problems: list[str]) -> tuple[str, str]:
    names = []
    for field, what in (("first_name", marked("first name")), ("last_name", marked("last name"))):
        try:
            names.append(parse_name(getattr(given, field), what=what))
        except InputError as error:
            problems += blame(field, error.problems)
            names.append("")
    if not given.first_name.strip():
        problems += blame("first_name", [gettext("the first name is missing")])
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
        problems += blame("phone", error.problems)
    try:
        if given.email.strip():
            addresses[Channel.EMAIL] = parse_email(given.email)
    except InputError as error:
        problems += blame("email", error.problems)
    return addresses, warnings, problems


def _problems_of_channel(given: EnrollmentInput, channel: Channel, addresses: Mapping[Channel, str]) -> list[str]:
    """Return that an address is missing; what was typed and is none was told of already."""
    if channel in addresses or (given.phone if channel is Channel.SMS else given.email).strip():
        return []
    if channel is Channel.SMS:
        return blame("phone", [gettext("a mobile number is needed to write by sms")])
    return blame("email", [gettext("an e-mail address is needed to write by email")])


def _problems_of(desk: Desk, ready: ReadyPlan, course: Course) -> list[str]:
    problems: list[str] = []
    now = desk.clock.now()
    try:
        resolve(ready.plan, course)
    except InputError as error:
        problems += blame("settings", error.problems)
    if course.procedure_end - now > _FURTHEST_AHEAD:
        problems += blame(
            "end", [gettext("the procedure ends more than 12 h from now; check the date, the zone and a.m./p.m.")]
        )
    if now - course.procedure_end > _FURTHEST_BACK:
        problems += blame("end", [gettext("the procedure ended more than 30 days ago; check the date")])
    return problems
