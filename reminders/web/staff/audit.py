"""Who did and looked at what, for whoever answers for the records: by numbers, as an administrator sees no patient."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk.audit_trail import list_entries
from reminders.desk.roles import Right
from reminders.desk.trail import Action
from reminders.records import staff
from reminders.records.audit import Wanted, Who
from reminders.web.forms import row_number
from reminders.web.staff.here import Here, acts

router = APIRouter()
Looking = Annotated[Here, acts(Action.AUDIT_SEE, Right.RUN_PRACTICE)]
_MOST = 200


@router.get("/staff/audit")
def trail(here: Looking, patient: str = "", person: str = "") -> Response:
    """Show the newest entries, of one patient or one person when asked."""
    patient_id = row_number(patient)
    wanted = Wanted(patient_id=patient_id, who=Who("staff", person) if person else None)
    with here.reading() as session:
        people = staff.members(session, here.desk.practice_id)
        found = list_entries(session, here.desk, wanted, limit=_MOST)
    here.trail((patient_id, ""))
    return here.show("audit.html", found=found, people=people, patient=patient, person=person, most=_MOST)
