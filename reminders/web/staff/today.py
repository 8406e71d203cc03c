"""The page of the day: who is in aftercare, what goes out, who is silent, whether messages leave, what lies ahead."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk.forecast import Terms
from reminders.desk.roles import Right
from reminders.desk.today import today
from reminders.desk.trail import Action
from reminders.web.staff.here import Here, acts

router = APIRouter()
Looking = Annotated[Here, acts(Action.TODAY_SEE, Right.SEE_COURSES)]


@router.get("/staff/today")
def overview(here: Looking) -> Response:
    """Show the day."""
    delivery = here.site.app.config.delivery
    terms = Terms(limits=delivery.pace.limits(), sms_segment=delivery.price.sms_segment, email=delivery.price.email)
    with here.reading() as session:
        found = today(session, here.desk, terms)
    shown = {
        *((each.patient_id, each.enrollment_id) for each in found.running.listed),
        *((each.patient_id, each.enrollment_id) for each in found.going_out),
        *((each.patient_id, each.enrollment_id) for each in found.tasks),
    }
    here.trail_list((patient_id, f"enrollment {enrollment_id}") for patient_id, enrollment_id in sorted(shown))
    channels = sorted({channel for channel, _ in found.handed_over} | {"sms"})
    most = max(count for _, count in found.ahead.days)
    return here.show(
        "today.html",
        today=found,
        channels=channels,
        most=max(most, 1),
        titles=here.desk.library.titles(),
        currency=delivery.price.currency,
    )
