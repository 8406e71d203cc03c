"""What the front desk sees before it enrolls: the messages, what is moved or said at the desk, what is still wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

from sqlalchemy.orm import Session

from reminders.care.plan import ChoiceSetting, Plan
from reminders.care.values import Outcome
from reminders.desk.composing import Composed, ComposedCourse, Desk
from reminders.desk.contact_details import parse_phone
from reminders.desk.end_course import cancel_course
from reminders.desk.enroll import (
    AlreadyEnrolled,
    Enrolled,
    EnrollmentInput,
    enroll,
    is_approved,
    require_approval,
    shown_by_trial,
)
from reminders.desk.plans import ReadyPlan
from reminders.desk.preview import preview
from reminders.desk.trail import Look
from reminders.errors import InputError, ReminderError, StateError
from reminders.records import courses
from reminders.records.database import Database
from reminders.words import gettext

READ_OUT = (
    "May we send you messages about your care after today, to this number or address? They are not encrypted: whoever "
    "sees your telephone or mailbox can read them. They name no illness. You can stop them at any time by answering "
    "STOP. They are no way to get help in an emergency; then call the emergency number."
)
"""What is read out when consent is asked for, and recorded word for word."""
CONSENT = f"read out at the desk: {READ_OUT}"
UNDO_WITHIN = timedelta(minutes=30)
_FIRST_ONES = 8
_PLACEHOLDER = "Patient"


@dataclass(frozen=True, kw_only=True)
class LookAhead:
    """What enrolling would come to."""

    problems: tuple[str, ...]
    warnings: tuple[str, ...]
    composed: ComposedCourse | None
    """None while the facts of the course can't be read."""
    shows: tuple[Look, ...] = ()
    """Of whom it tells something: a patient who was here before."""

    @property
    def said_at_desk(self) -> tuple[Composed, ...]:
        """What no message can tell in time."""
        return _with(self.composed, Outcome.AT_CHECKOUT)

    @property
    def moved(self) -> tuple[Composed, ...]:
        """Messages that do not go out when they were planned."""
        going = _with(self.composed, Outcome.SCHEDULED)
        return tuple(each for each in going if each.joined.send_at != each.joined.first.planned_at)

    @property
    def withheld(self) -> tuple[Composed, ...]:
        """What is not said at all."""
        return _with(self.composed, Outcome.WITHHELD)

    @property
    def first_messages(self) -> tuple[Composed, ...]:
        """The first ones that go out."""
        return _with(self.composed, Outcome.SCHEDULED)[:_FIRST_ONES]


def look_ahead(database: Database, desk: Desk, given: EnrollmentInput) -> LookAhead:
    """Return what enrolling would come to; stores nothing. What is not typed yet is no problem yet."""
    typed = replace(given, first_name=given.first_name.strip() or _PLACEHOLDER, consent=True)
    problems: tuple[str, ...] = ()
    shows: tuple[Look, ...] = ()
    if typed.phone.strip() or typed.email.strip():
        try:
            enrolled = _rehearse(database, desk, typed)
        except AlreadyEnrolled as error:
            problems, shows = error.problems, shown_by_trial(error)
        except InputError as error:
            problems = error.problems
        except StateError as error:
            problems = (str(error),)
        else:
            warnings, composed = enrolled.warnings, enrolled.composed
            return LookAhead(problems=(), warnings=warnings, composed=composed, shows=shown_by_trial(enrolled))
    try:
        ready = desk.library.get(given.procedure)
        problems = problems or _unapproved(database, desk, ready)
        facts = replace(given.course, factors=_asked(given.course.factors))
        composed = preview(ready, facts, desk.house, first_name=typed.first_name, region=desk.region)
    except InputError as error:
        return LookAhead(problems=problems or error.problems, warnings=(), composed=None, shows=shows)
    except ReminderError as error:
        return LookAhead(problems=problems or (str(error),), warnings=(), composed=None, shows=shows)
    return LookAhead(problems=problems, warnings=(), composed=composed, shows=shows)


def phone_says(desk: Desk, text: str) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    """Return a typed number as it will be kept, warnings, and what is wrong with it; all empty for nothing typed."""
    if not text.strip():
        return "", (), ()
    try:
        number = parse_phone(text, region=desk.region, zone=desk.zone, at=desk.clock.now())
    except InputError as error:
        return "", (), error.problems
    return number.e164, number.warnings, ()


def take_back(session: Session, desk: Desk, enrollment_id: int, *, by: str) -> None:
    """Undo an enrollment that was a mistake, while its course is new; StateError later, as staff must decide then."""
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is not None and desk.clock.now() - enrollment.enrolled_at > UNDO_WITHIN:
        raise StateError(gettext("this course is no longer new; end it on its own page instead"))
    cancel_course(session, desk, enrollment_id, by=by, reason="taken back at the desk")


def usual_procedure(session: Session, desk: Desk) -> str:
    """Return the procedure that was enrolled last, else the first that may be sent, else the first there is."""
    last = courses.last_procedure(session, desk.practice_id)
    names = desk.library.names()
    if last in names:
        return last
    return next((name for name in names if is_approved(session, desk, desk.library.get(name))), next(iter(names), ""))


def anaesthetics_of(plan: Plan) -> Mapping[str, str]:
    """Return the anaesthetics that the plan lets one record, by what stands in a form; none when it has no such."""
    setting = plan.file.settings.get("anaesthetic")
    if not isinstance(setting, ChoiceSetting) or setting.choices != "anaesthetics":
        return {}
    return {name: each.name for name, each in plan.anaesthetics.items()}


def _unapproved(database: Database, desk: Desk, ready: ReadyPlan) -> tuple[str, ...]:
    try:
        with database.reading() as session:
            require_approval(session, desk, ready)
    except InputError as error:
        return error.problems
    return ()


def _rehearse(database: Database, desk: Desk, typed: EnrollmentInput) -> Enrolled:
    with database.writing() as session, session.begin_nested() as rehearsal:
        enrolled = enroll(session, desk, typed)
        rehearsal.rollback()
    return enrolled


def _asked(factors: tuple[str, ...]) -> tuple[str, ...]:
    asked = tuple(each for each in factors if each != "none")
    return asked if factors else ("history_unknown",)


def _with(composed: ComposedCourse | None, outcome: Outcome) -> tuple[Composed, ...]:
    return tuple(each for each in composed.messages if each.joined.outcome is outcome) if composed else ()
