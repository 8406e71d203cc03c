"""The chart record of a course: facts, plan, approval, every message and reply, and what staff did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.care.values import Course
from reminders.desk.composing import Desk
from reminders.desk.concern_list import ListedConcern, SaidByPatient, concerns_about, said_by_patient
from reminders.desk.consent import ConsentStep, consent_steps
from reminders.desk.course_facts import from_json
from reminders.desk.message_list import ListedMessage, full_name, listed
from reminders.desk.staff_tasks import TaskOfCourse, tasks_of_course
from reminders.errors import NotFound
from reminders.records import approvals, courses, finding, people, replies
from reminders.records.tables import Approval, Enrollment
from reminders.words import gettext


@dataclass(frozen=True, kw_only=True)
class ApprovalOfPlan:
    """Who approved the content that the course was given."""

    approved_by: str
    license: str
    at: datetime


@dataclass(frozen=True, kw_only=True)
class PlanUsed:
    """The plan exactly as the course began with it."""

    procedure: str
    version: int
    content_hash: str
    approval: ApprovalOfPlan | None
    """None in demo mode only."""


@dataclass(frozen=True, kw_only=True)
class CourseSummary:
    """One course with its facts and its plan."""

    practice: str
    enrollment_id: int
    patient_id: int
    patient: str
    """First and last name."""
    zone: ZoneInfo
    """The course's; all times are shown by it."""
    state: str
    procedure_on: date
    enrolled_at: datetime
    enrolled_by: str
    ended_at: datetime | None
    course: Course
    plan: PlanUsed


@dataclass(frozen=True, kw_only=True)
class ChartRecord(CourseSummary):
    """Everything that belongs into the chart about one course."""

    messages: tuple[ListedMessage, ...]
    """In send order, those withheld, cancelled or said at the desk among them, with the reasons of each."""
    answers: tuple[ListedMessage, ...]
    """What was answered to the replies."""
    replies: tuple[SaidByPatient, ...]
    """Oldest first; those that belong to no other course of the patient."""
    concerns: tuple[ListedConcern, ...]
    tasks: tuple[TaskOfCourse, ...]
    """What the plan lets staff see to; each becomes one of the concerns on its day."""
    consent: tuple[ConsentStep, ...]


def whose_course(session: Session, desk: Desk, enrollment_id: int) -> int:
    """Return the number of the patient whose course it is; raises NotFound."""
    return _found(session, desk, enrollment_id).patient_id


def course_summary(session: Session, desk: Desk, enrollment_id: int) -> CourseSummary:
    """Return a course with its facts and its plan; raises NotFound."""
    return CourseSummary(**_summary(session, desk, _found(session, desk, enrollment_id)))


def chart_record(session: Session, desk: Desk, enrollment_id: int) -> ChartRecord:
    """Return the chart record of a course; raises NotFound."""
    enrollment = _found(session, desk, enrollment_id)
    said = [
        reply
        for reply in replies.replies_of(session, enrollment.patient_id, since=enrollment.enrolled_at)
        if reply.enrollment_id in {None, enrollment_id}
    ]
    answers = finding.answers_to(session, [reply.id for reply in said if reply.id is not None])
    # Whoever lists messages or concerns asks for the patient again; as long as it is in hand, the session has it.
    _patient = people.patient_of(session, enrollment.patient_id)
    return ChartRecord(
        **_summary(session, desk, enrollment),
        messages=listed(session, desk, courses.messages_of(session, enrollment_id)),
        answers=listed(session, desk, tuple(answers.values())),
        replies=tuple(said_by_patient(reply) for reply in said),
        concerns=_concerns(session, desk, enrollment, [reply.id for reply in said]),
        tasks=tasks_of_course(session, enrollment_id),
        consent=consent_steps(session, enrollment.patient_id),
    )


def _found(session: Session, desk: Desk, enrollment_id: int) -> Enrollment:
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None or enrollment.practice_id != desk.practice_id:
        raise NotFound(
            gettext(
                "there is no enrollment {enrollment_id}; `reminders enrollments --all` lists them",
                enrollment_id=enrollment_id,
            )
        )
    return enrollment


def _summary(session: Session, desk: Desk, enrollment: Enrollment) -> dict[str, Any]:
    """Return the values of `CourseSummary`."""
    course = from_json(enrollment.facts)
    return {
        "practice": desk.house.sender.practice_name,
        "enrollment_id": enrollment.id,
        "patient_id": enrollment.patient_id,
        "patient": full_name(people.patient_of(session, enrollment.patient_id)),
        "zone": course.zone,
        "state": enrollment.state,
        "procedure_on": enrollment.procedure_on,
        "enrolled_at": enrollment.enrolled_at,
        "enrolled_by": enrollment.enrolled_by,
        "ended_at": enrollment.ended_at,
        "course": course,
        "plan": _plan(session, enrollment),
    }


def _plan(session: Session, enrollment: Enrollment) -> PlanUsed:
    approval = approvals.approval_of_content(session, enrollment.practice_id, enrollment.content_hash)
    return PlanUsed(
        procedure=enrollment.procedure,
        version=enrollment.plan_version,
        content_hash=enrollment.content_hash,
        approval=_approval(approval),
    )


def _approval(found: Approval | None) -> ApprovalOfPlan | None:
    if found is None:
        return None
    return ApprovalOfPlan(approved_by=found.approved_by, license=found.license, at=found.at)


def _concerns(
    session: Session, desk: Desk, enrollment: Enrollment, reply_ids: Sequence[int | None]
) -> tuple[ListedConcern, ...]:
    """Return concerns about the course, and those of the patient that a reply in this record led to."""
    found = concerns_about(session, desk, enrollment.patient_id)
    mine = set(reply_ids)
    return tuple(
        each
        for each in found
        if each.enrollment_id == enrollment.id or any(reply.reply_id in mine for reply in each.said)
    )
