"""The chart record: to read and print, and as a file for another chart (PDF, FHIR); each look is in the trail."""

from __future__ import annotations

import json
from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk.chart_record import ChartRecord, chart_record
from reminders.desk.record_as_fhir import record_as_fhir
from reminders.desk.record_page import record_page
from reminders.desk.roles import Right
from reminders.desk.trail import Action
from reminders.exchange.pdf import as_pdf, can_print
from reminders.web.staff.here import Here, Number, acts

router = APIRouter()
Recording = Annotated[Here, acts(Action.RECORD_SEE, Right.SEE_REPLIES)]


@router.get("/staff/courses/{enrollment_id}/record")
def record(here: Recording, enrollment_id: Number) -> Response:
    """Show the chart record."""
    return here.show("record.html", record=_found(here, enrollment_id), prints=can_print())


@router.get("/staff/courses/{enrollment_id}/record.pdf")
def as_document(here: Recording, enrollment_id: Number) -> Response:
    """Give it as a document to file; what the browser of this machine can't print is refused."""
    page = record_page(_found(here, enrollment_id, "pdf"), made_at=here.desk.clock.now())
    return _file(as_pdf(page), "application/pdf", f"record-{enrollment_id}.pdf")


@router.get("/staff/courses/{enrollment_id}/record.json")
def as_bundle(here: Recording, enrollment_id: Number) -> Response:
    """Give it as a bundle of HL7 FHIR R4, for another chart to take in."""
    bundle = record_as_fhir(here.desk, _found(here, enrollment_id, "fhir"))
    content = json.dumps(bundle, ensure_ascii=False, indent=2).encode()
    return _file(content, "application/fhir+json", f"record-{enrollment_id}.json")


def _found(here: Here, enrollment_id: int, form: str = "") -> ChartRecord:
    """Return the record, once it stands in the trail that it is shown, or taken along in some form."""
    with here.reading() as session:
        found = chart_record(session, here.desk, enrollment_id)
    here.trail((found.patient_id, f"enrollment {enrollment_id} {form}".strip()))
    return found


def _file(content: bytes, media_type: str, name: str) -> Response:
    return Response(content, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{name}"'})
