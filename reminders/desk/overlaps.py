"""What the other courses of a patient mean for one: what they say anyway, and whether sites must be named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.care.schedule import OtherMessage
from reminders.care.timing import local_day
from reminders.care.values import Course
from reminders.desk.course_facts import from_json
from reminders.records import courses
from reminders.records.message_states import MessageState
from reminders.records.tables import Enrollment, Message
from reminders.wording.dates import Calendar, is_known


def running_beside(session: Session, patient_id: int, enrollment_id: int | None, at: datetime) -> list[Enrollment]:
    """Return the patient's other courses that still have something to say, oldest first."""
    return [
        each
        for each in courses.enrollments_of(session, patient_id, state="active")
        if each.id is not None and each.id != enrollment_id and _runs(session, each.id, at)
    ]


def is_twin(enrollment: Enrollment, procedure: str, course: Course) -> bool:
    """Say whether a course is like another: same procedure, day, settings and factors, so two sites treated alike."""
    earlier = from_json(enrollment.facts)
    same_day = enrollment.procedure_on == local_day(course.procedure_end, course.zone)
    same_facts = (earlier.settings, earlier.factors, earlier.zone) == (course.settings, course.factors, course.zone)
    return enrollment.procedure == procedure and same_day and same_facts and not earlier.overlaps


def told_apart(course: Course, running: Sequence[Enrollment]) -> Course:
    """Return the course with its day added to its site when another one has the same site: it was treated again there.

    One that is in the same place on the same day, or names no site, stays as it is; without a site the day is named.
    """
    taken = {
        " ".join((from_json(each.facts).site or "").lower().split())
        for each in running
        if each.procedure_on != course.day_0
    }
    if not course.site or " ".join(course.site.lower().split()) not in taken:
        return course
    locale = course.language.replace("-", "_")
    day = Calendar(locale if is_known(locale) else "en").month_day(course.day_0)
    return replace(course, site=f"{course.site}, {day}")


def said_beside(session: Session, patient_id: int, enrollment_id: int | None) -> tuple[OtherMessage, ...]:
    """Return what the patient's other courses say or said."""
    procedures = {each.id: each.procedure for each in courses.enrollments_of(session, patient_id)}
    return tuple(
        OtherMessage(
            procedure=procedures[each.enrollment_id], key=each.key, text_name=each.text_name, send_at=each.send_at
        )
        for each in courses.waiting_messages(session, patient_id, beside=enrollment_id)
    )


def _runs(session: Session, enrollment_id: int, at: datetime) -> bool:
    return any(each.useful_until >= at and _may_speak(each) for each in courses.messages_of(session, enrollment_id))


def is_left_to_another(message: Message) -> bool:
    """Say whether a message is not sent because another course of the patient says the same."""
    return message.state == MessageState.WITHHELD and any(reason["rule"] == "said_once" for reason in message.reasons)


def _may_speak(message: Message) -> bool:
    """Say whether a message waits, or would if another course did not say the same."""
    return message.state == MessageState.SCHEDULED or is_left_to_another(message)
