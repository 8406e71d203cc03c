"""See a patient's consent, record that they agreed, or that they want no more."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.desk.api_keys import Scope
from reminders.desk.consent import consent_state, withdraw_consent
from reminders.desk.mail_warning import Unwarned
from reminders.desk.new_address import use_address
from reminders.desk.read_enrollment import STANDARD_CONSENT
from reminders.desk.shapes import consents_as_json
from reminders.desk.statement import Statement
from reminders.errors import InputError
from reminders.records.columns import LARGEST_NUMBER
from reminders.web.api import given, told
from reminders.web.api.call import Call, Calling, Operation, Told
from reminders.web.api.described import asks
from reminders.web.api.problems import in_body, invalid

router = APIRouter(prefix="/patients", route_class=Operation, tags=["consents"])
PatientId = Annotated[int, Path(ge=1, le=LARGEST_NUMBER, description="The patient's number.", examples=[7])]


@router.get("/{patient}/consents", response_model=told.Consents, openapi_extra=asks(Scope.CONSENTS_READ))
def read_consents(call: Calling, patient: PatientId) -> Response:
    """See a patient's addresses, whether each may be written to, and the history of their consent."""
    return call.tell(lambda session: _told(call, session, patient))


@router.post("/{patient}/consents/give", response_model=told.Consents, openapi_extra=asks(Scope.CONSENTS_WRITE, "once"))
def give(call: Calling, patient: PatientId, body: given.ConsentGiven) -> Response:
    """Record that a patient agreed to be written to at a number or e-mail address."""
    statement = Statement(wording=body.wording or STANDARD_CONSENT, recorded_by=call.by)

    def act(session: Session) -> Told:
        consent_state(session, call.desk, patient)
        try:
            warnings = use_address(session, call.desk, patient, body.address, statement)
        except Unwarned as error:
            raise invalid(in_body(str(error), "wording")) from None
        except InputError:
            raise invalid(in_body("this is no number or e-mail address in use", "address")) from None
        return _told(call, session, patient, warnings)

    return call.change(act)


@router.post(
    "/{patient}/consents/withdraw",
    response_model=told.Consents,
    openapi_extra=asks(Scope.CONSENTS_WRITE, "once"),
)
def withdraw(call: Calling, patient: PatientId, body: given.ConsentWithdrawn) -> Response:
    """Record that a patient wants no more messages on a channel, in their words."""
    statement = Statement(wording=body.wording, recorded_by=call.by)

    def act(session: Session) -> Told:
        consent_state(session, call.desk, patient)
        withdraw_consent(session, call.desk, patient, body.channel, statement)
        return _told(call, session, patient)

    return call.change(act)


def _told(call: Call, session: Session, patient_id: int, warnings: tuple[str, ...] = ()) -> Told:
    found = consents_as_json(consent_state(session, call.desk, patient_id), warnings, call.desk.zone)
    return Told(body=told.Consents.model_validate(found), patient_id=patient_id, about=f"patient {patient_id}")
