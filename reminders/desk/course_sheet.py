"""The sheet of a course that runs, to print it again."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy.orm import Session

from reminders.care.schedule import Circumstances
from reminders.desk.composing import Desk, compose
from reminders.desk.course_facts import from_json
from reminders.desk.overlaps import said_beside
from reminders.desk.patient_page import PageRules, way_offered
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.planned_course import STILL_AT_DESK
from reminders.desk.sheet import sheet_of
from reminders.errors import NotFound
from reminders.records import courses, people
from reminders.wording.sheet import Sheet
from reminders.words import gettext


def sheet_of_course(session: Session, desk: Desk, rules: PageRules | None, enrollment_id: int) -> tuple[Sheet, int]:
    """Return the sheet as it was when the patient was enrolled, by the facts as they are now, and the patient's id.

    It leads to the patient's page where `rules` say that there is one. Raises NotFound.
    """
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None or enrollment.practice_id != desk.practice_id:
        raise NotFound(gettext("there is no enrollment {enrollment_id}", enrollment_id=enrollment_id))
    patient = people.patient_of(session, enrollment.patient_id)
    course = from_json(enrollment.facts)
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    at_desk = enrollment.enrolled_at - course.procedure_end <= STILL_AT_DESK
    now = Circumstances(
        not_before=max(enrollment.enrolled_at, course.procedure_end),
        at_desk=at_desk,
        others=said_beside(session, enrollment.patient_id, enrollment_id),
    )
    first_name = patient.first_name if patient else ""
    composed = compose(ready, course, now, desk.house, first_name=first_name)
    sheet = sheet_of(composed, desk.house, first_name=first_name)
    return replace(sheet, page=way_offered(session, desk, rules, enrollment_id)), enrollment.patient_id
