"""Bring what a patient wrote; the answer comes once it is stored."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.delivery.incoming import IncomingReply
from reminders.desk.api_keys import Scope
from reminders.desk.shapes import taken_as_json
from reminders.desk.take_reply import Taken
from reminders.records.finding import answers_to
from reminders.web.api import given, told
from reminders.web.api.call import Calling, Operation, Told
from reminders.web.api.described import asks

router = APIRouter(prefix="/replies", route_class=Operation, tags=["replies"])


@router.post("", status_code=201, response_model=told.Taken, openapi_extra=asks(Scope.REPLIES_WRITE, "once", "or_200"))
def take_reply(call: Calling, body: given.ReplyGiven) -> Response:
    """Take a reply in: read, store, act on it and answer it, in one transaction.

    The status is 200 when a reply with this `ref` was brought before.
    """
    channel = "email" if "@" in body.sender else "sms"
    reply = IncomingReply(channel=channel, sender=body.sender, text=body.text, gateway_ref=body.ref)

    def act(session: Session) -> Told:
        (taken,) = call.api.site.app.intake.take_in_within(session, [reply])
        assert isinstance(taken, Taken)  # noqa: S101  the intake gives back what the desk said
        answer = answers_to(session, [taken.reply_id]).get(taken.reply_id)
        return Told(
            body=told.Taken.model_validate(taken_as_json(taken, answer.text if answer else None)),
            status=201 if taken.is_new else 200,
            patient_id=taken.patient_id,
            about=f"reply {taken.reply_id}",
        )

    return call.change(act)
