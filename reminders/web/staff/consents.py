"""On a course's page: another number or address with consent for it, and consent that is withdrawn at the desk."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk.blamed import Blamed, blame
from reminders.desk.checkout import CONSENT
from reminders.desk.consent import withdraw_consent
from reminders.desk.new_address import take_new_address
from reminders.desk.roles import Right
from reminders.desk.statement import Statement
from reminders.desk.trail import Action
from reminders.errors import InputError, NotFound
from reminders.records import courses
from reminders.web.forms import go
from reminders.web.staff.courses import show_course
from reminders.web.staff.here import Here, Number, acts
from reminders.words import gettext

router = APIRouter()
Changing = Annotated[Here, acts(Action.COURSE_SEE, Right.CHANGE_FACTS)]


@router.post("/staff/courses/{enrollment_id}/consent/give")
def give(here: Changing, enrollment_id: Number) -> Response:
    """Record consent for an address, and write there from now on."""
    if "agreed" not in here.form:
        missing = Blamed(gettext("Read the words out and tick that they agreed."), "agreed")
        return show_course(here, enrollment_id, status=400, problems=(missing,))
    statement = Statement(wording=CONSENT, recorded_by=here.who.name)
    try:
        with here.writing() as session:
            patient_id = _patient(here, enrollment_id)
            take_new_address(session, here.desk, patient_id, here.form.text("address"), statement)
    except InputError as error:
        return show_course(here, enrollment_id, status=400, problems=blame("address", error.problems))
    return go(f"/staff/courses/{enrollment_id}?done=address")


@router.post("/staff/courses/{enrollment_id}/consent/withdraw")
def withdraw(here: Changing, enrollment_id: Number) -> Response:
    """Record that the patient wants no more messages on a channel, in their words."""
    said = here.form.text("wording")
    if not said:
        missing = Blamed(gettext("Write down what the patient said."), "wording")
        return show_course(here, enrollment_id, status=400, problems=(missing,))
    statement = Statement(wording=said, recorded_by=here.who.name)
    try:
        with here.writing() as session:
            patient_id = _patient(here, enrollment_id)
            withdraw_consent(session, here.desk, patient_id, here.form.text("channel"), statement)
    except InputError as error:
        return show_course(here, enrollment_id, status=400, problems=blame("wording", error.problems))
    return go(f"/staff/courses/{enrollment_id}?done=withdrawn")


def _patient(here: Here, enrollment_id: int) -> int:
    with here.reading() as session:
        enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None or enrollment.practice_id != here.desk.practice_id:
        raise NotFound(f"there is no enrollment {enrollment_id}")
    return enrollment.patient_id
