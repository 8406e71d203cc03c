"""Enroll a patient, see a course, change its facts after a look at the difference, cancel it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.desk.api_keys import Scope
from reminders.desk.changed_facts import NOT_ANY_MORE, Changes, changed_course
from reminders.desk.chart_record import chart_record, course_summary, whose_course
from reminders.desk.course_facts import CourseInput
from reminders.desk.end_course import cancel_course
from reminders.desk.enroll import STANDARD_CONSENT, AlreadyEnrolled, EnrollmentInput, enroll
from reminders.desk.message_list import listed
from reminders.desk.replan import propose, replan
from reminders.desk.shapes import (
    enrolled_as_json,
    message_as_json,
    proposal_as_json,
    record_as_json,
    summary_as_json,
)
from reminders.errors import NotFound
from reminders.records import courses
from reminders.records.columns import LARGEST_NUMBER
from reminders.web.api import given, told
from reminders.web.api.call import Call, Calling, Operation, Told
from reminders.web.api.described import asks
from reminders.web.api.problems import Code, Refusal, in_body, invalid

router = APIRouter(prefix="/enrollments", route_class=Operation, tags=["enrollments"])
EnrollmentId = Annotated[int, Path(ge=1, le=LARGEST_NUMBER, description="The course's number.", examples=[12])]
DryRun = Annotated[bool, Query(description="Tell what would come of it, and store nothing.")]
_NO_FACTORS = ("none",)
_NAMES = {"procedure_end": "end", "night_contact_agreed": "night_contact"}
"""Facts → how the desk calls their change."""


@router.post(
    "",
    status_code=201,
    response_model=told.Enrolled,
    openapi_extra=asks(Scope.ENROLL, "once", "creates", "or_200"),
)
def enroll_patient(call: Calling, body: given.EnrollmentGiven, *, dry_run: DryRun = False) -> Response:
    """Enroll a patient: patient, consent, course and every message are stored, or nothing.

    With `dry_run` nothing is stored and the status is 200.
    """

    def act(session: Session) -> Told:
        enrolled = _enroll(call, session, body)
        return Told(
            body=told.Enrolled.model_validate(enrolled_as_json(enrolled, stored=not dry_run)),
            status=200 if dry_run else 201,
            headers={} if dry_run else {"Location": f"/api/v1/enrollments/{enrolled.enrollment_id}"},
            patient_id=None if dry_run and not enrolled.was_known else enrolled.patient_id,
            about="dry run" if dry_run else f"enrollment {enrolled.enrollment_id}",
        )

    return call.rehearse(act) if dry_run else call.change(act)


@router.get("/{enrollment}", response_model=told.Enrollment, openapi_extra=asks(Scope.COURSES_READ, "version"))
def read_enrollment(call: Calling, enrollment: EnrollmentId) -> Response:
    """See a course: its patient, facts and plan."""
    return call.tell(lambda session: _summary(call, session, enrollment))


@router.get("/{enrollment}/record", response_model=told.Record, openapi_extra=asks(Scope.RECORDS_READ))
def read_record(call: Calling, enrollment: EnrollmentId) -> Response:
    """See the chart record: what was planned, sent and withheld and why, what came back, and who did what."""

    def look(session: Session) -> Told:
        found = chart_record(session, call.desk, enrollment)
        return _told(told.Record.model_validate(record_as_json(found)), found.patient_id, enrollment)

    return call.tell(look)


@router.get("/{enrollment}/messages", response_model=told.CourseMessages, openapi_extra=asks(Scope.MESSAGES_READ))
def read_messages(call: Calling, enrollment: EnrollmentId) -> Response:
    """See every message of a course, in send order."""

    def look(session: Session) -> Told:
        patient_id = whose_course(session, call.desk, enrollment)
        found = listed(session, call.desk, courses.messages_of(session, enrollment))
        messages = {"messages": [message_as_json(each) for each in found]}
        return _told(told.CourseMessages.model_validate(messages), patient_id, enrollment)

    return call.tell(look)


@router.patch(
    "/{enrollment}",
    response_model=told.Replanned,
    openapi_extra=asks(Scope.COURSES_WRITE, "once", "if_match"),
)
def change_facts(
    call: Calling, enrollment: EnrollmentId, body: given.EnrollmentPatch, *, dry_run: DryRun = False
) -> Response:
    """Change facts and plan the course anew: what was sent stays sent, and nothing is said twice.

    With `dry_run` the difference is told and nothing is stored.
    """
    changes = _changes(body.facts)

    def act(session: Session) -> Told:
        patient_id = _present(call, session, enrollment)
        course = changed_course(session, call.desk, enrollment, changes)
        done = (propose if dry_run else replan)(session, call.desk, enrollment, course)
        shape = proposal_as_json(done, stored=not dry_run)
        return _told(told.Replanned.model_validate(shape), patient_id, enrollment)

    return call.tell(act) if dry_run else call.change(act)


@router.post(
    "/{enrollment}/cancel",
    response_model=told.Cancelled,
    openapi_extra=asks(Scope.COURSES_WRITE, "once", "if_match"),
)
def cancel(call: Calling, enrollment: EnrollmentId, body: given.Reason) -> Response:
    """Cancel a course: what still waits is not sent, and the patient gets no word of it."""

    def act(session: Session) -> Told:
        patient_id = _present(call, session, enrollment)
        count = cancel_course(session, call.desk, enrollment, by=call.by, reason=body.reason.strip())
        return _told(told.Cancelled(enrollment=enrollment, cancelled=count), patient_id, enrollment)

    return call.change(act)


def _enroll(call: Call, session: Session, body: given.EnrollmentGiven) -> Any:
    try:
        return enroll(session, call.desk, _input(call, body))
    except AlreadyEnrolled as error:
        says = "this patient has a course for the same procedure and day; say `again` if a second one is meant"
        raise Refusal(Code.ALREADY_ENROLLED, says, enrollment=error.enrollment_id) from None
    except NotFound:
        raise invalid(in_body("there is no such procedure; `reminders procedures` lists them", "procedure")) from None


def _input(call: Call, body: given.EnrollmentGiven) -> EnrollmentInput:
    facts, practice = body.facts, call.desk
    return EnrollmentInput(
        procedure=body.procedure,
        first_name=body.first_name,
        last_name=body.last_name,
        phone=body.phone,
        email=body.email,
        course=CourseInput(
            end=facts.procedure_end.isoformat(),
            zone=facts.zone or practice.zone.key,
            language=facts.language or practice.language,
            factors=() if facts.factors is None else tuple(facts.factors) or _NO_FACTORS,
            settings=_texts(facts.settings),
            block_placed=_text(facts.block_placed),
            dressing_applied=_text(facts.dressing_applied),
            visit=_text(facts.visit),
            slots=_texts(facts.slots),
            channel=facts.channel,
            night_contact_agreed=facts.night_contact_agreed,
            site=facts.site,
        ),
        consent=body.consent,
        consent_wording=body.consent_wording or STANDARD_CONSENT,
        recorded_by=call.by,
        again=body.again,
    )


def _changes(patch: given.FactsPatch) -> Changes:
    """Return what a patch says: what was not sent stays, null takes back."""
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    said: dict[str, Any] = {_NAMES.get(name, name): _said(value) for name, value in sent.items()}
    changes = Changes(**said)
    if changes.is_empty:
        raise invalid(in_body("name at least one fact that changes", "facts"))
    return changes


def _said(value: Any) -> Any:
    """Return a fact as the desk reads it."""
    if value is None:
        return NOT_ANY_MORE
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, list):
        return (*_NO_FACTORS, *value)  # none of those before, and these
    return _texts(value) if isinstance(value, dict) else value


def _present(call: Call, session: Session, enrollment: int) -> int:
    """Return whose course it is; refuses one of another practice, and one that is not the version the call names."""
    patient_id = whose_course(session, call.desk, enrollment)

    def now() -> told.Enrollment:
        return told.Enrollment.model_validate(summary_as_json(course_summary(session, call.desk, enrollment)))

    call.require_unchanged(now)
    return patient_id


def _summary(call: Call, session: Session, enrollment: int) -> Told:
    found = course_summary(session, call.desk, enrollment)
    shown = told.Enrollment.model_validate(summary_as_json(found))
    return replace(_told(shown, found.patient_id, enrollment), has_version=True)


def _told(body: Any, patient_id: int, enrollment: int) -> Told:
    return Told(body=body, patient_id=patient_id, about=f"enrollment {enrollment}")


def _texts(values: Mapping[Any, int | str]) -> dict[str, str]:
    return {name: str(value) for name, value in values.items()}


def _text(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None
