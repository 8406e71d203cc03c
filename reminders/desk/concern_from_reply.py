"""A reply becomes a concern, or joins the one that the patient has open already; urgency only rises by itself."""

from __future__ import annotations

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.escalate import escalate, tell_holder
from reminders.records import concerns
from reminders.records.concerns import URGENCIES
from reminders.records.people import new_id
from reminders.records.tables import Reply
from reminders.records.tables_concerns import Concern, ConcernEvent
from reminders.replies import Label, Triage
from reminders.sentences import english
from reminders.words import marked

_URGENCY = {Label.EMERGENCY: "emergency", Label.URGENT: "urgent"}
"""Every other label that needs a person is routine."""
_ASKED_TO_STOP = english("{signs}; asked to stop messages: telephone")
_FROM_NOBODY = english("{signs}; from an address nobody is known under")
_LEFT = english("wrote again, and {name} is not on duty")
_WRONG_PERSON = {
    (True, False): english("Wrong person: somebody wrote so from a number that no patient has."),
    (False, False): english("Wrong person: somebody wrote so from an address that no patient has."),
    (True, True): english("Wrong person: find the patient's right number. The old one is released."),
    (False, True): english("Wrong person: find the patient's right address. The old one is released."),
}
"""By whether it came by SMS, and whether a patient is known under the address."""


def raise_concern(session: Session, desk: Desk, reply: Reply, found: Triage, joins: Concern | None) -> int:
    """Open a concern for a reply, or let it join the one that is open; returns the concern's id.

    Nobody else may change `joins` until the transaction ends; see `records.concerns`.
    """
    if joins is not None:
        _join(session, desk, joins, reply, found)
        _tell_at_once(session, desk, joins)
        return new_id(joins.id)
    urgency = _urgency(found)
    concern = Concern(
        practice_id=desk.practice_id,
        patient_id=reply.patient_id,
        enrollment_id=reply.enrollment_id,
        kind="reply",
        urgency=urgency,
        summary=_summary(found, known=reply.patient_id is not None),
        signs=list(found.signs),
        opened_at=reply.received_at,
        due_at=desk.due.due_at(urgency, reply.received_at, desk.opening),
    )
    concern_id = concerns.open_concern(session, concern, by=marked("triage"), note=_because(found), reply_id=reply.id)
    if urgency == "emergency" and (opened := concerns.concern_of(session, concern_id)) is not None:
        _tell_at_once(session, desk, opened)
    return concern_id


def seek_right_address(session: Session, desk: Desk, reply: Reply, found: Triage, patient_id: int | None) -> int:
    """Give staff the task of finding where a patient can be reached, as the sender is somebody else.

    Returns the concern's id. No patient when nobody is known under the address.
    """
    concern = Concern(
        practice_id=desk.practice_id,
        patient_id=patient_id,
        kind="wrong_person",
        urgency="routine",
        summary=_WRONG_PERSON[reply.channel == "sms", patient_id is not None],
        signs=[],
        opened_at=reply.received_at,
        due_at=desk.due.due_at("routine", reply.received_at, desk.opening),
    )
    return concerns.open_concern(session, concern, by=marked("triage"), note=_because(found), reply_id=reply.id)


def _tell_at_once(session: Session, desk: Desk, concern: Concern) -> None:
    """Tell the first person on duty in the same commit when it is an emergency that nobody was told of."""
    if concern.urgency == "emergency" and concern.notified_steps == 0:
        escalate(session, desk, concern)


def _join(session: Session, desk: Desk, concern: Concern, reply: Reply, found: Triage) -> None:
    """Add a reply to a concern."""
    urgency = _urgency(found)
    rises = URGENCIES.index(urgency) < URGENCIES.index(concern.urgency)
    again = not rises and urgency != "routine" and concern.state == "taken"
    left_by = concern.taken_by if again and not _is_on_duty(desk, concern.taken_by) else None
    values = _joined(desk, concern, reply, found)
    if rises or left_by:
        # Whoever took it took something less urgent, or went home since: everybody must see it again.
        due_at = desk.due.due_at(urgency, reply.received_at, desk.opening)
        notify_at, _ = desk.duty.first_step_at(urgency, reply.received_at, due_at, desk.opening)
        values |= {"state": "open", "taken_by": None, "notify_at": notify_at, "notified_steps": 0}
    for name, value in values.items():
        setattr(concern, name, value)
    _add_event(session, concern, reply, "raised" if rises else "reply", _because(found))
    if left_by:
        _add_event(session, concern, reply, "reopened", _LEFT.format(name=left_by))
    elif again and urgency == "emergency":
        tell_holder(session, desk, concern)


def _joined(desk: Desk, concern: Concern, reply: Reply, found: Triage) -> dict[str, object]:
    """Return what a concern becomes by one more reply: never less urgent, never due later."""
    urgency = _urgency(found)
    values: dict[str, object] = {
        "signs": list(dict.fromkeys((*found.signs, *concern.signs))),
        "due_at": min(concern.due_at, desk.due.due_at(urgency, reply.received_at, desk.opening)),
    }
    if URGENCIES.index(urgency) < URGENCIES.index(concern.urgency):
        values |= {"urgency": urgency, "summary": _summary(found, known=concern.patient_id is not None)}
    elif found.opt_out and _ASKED_TO_STOP.format(signs="") not in concern.summary:
        values["summary"] = _ASKED_TO_STOP.format(signs=concern.summary)
    return values


def _add_event(session: Session, concern: Concern, reply: Reply, action: str, note: str) -> None:
    event = ConcernEvent(
        practice_id=reply.practice_id,
        concern_id=new_id(concern.id),
        action=action,
        by=marked("triage"),
        note=note,
        reply_id=None if action == "reopened" else reply.id,
        at=reply.received_at,
    )
    concerns.add_event(session, event)


def _is_on_duty(desk: Desk, name: str | None) -> bool:
    """Say whether somebody is on duty now; without a duty list whoever took a concern is trusted to mind it."""
    now = desk.clock.now()
    return not desk.duty.people or any(each.name == name for each in desk.duty.on_duty(now))


def _urgency(found: Triage) -> str:
    return _URGENCY.get(found.label, "routine")


def _summary(found: Triage, *, known: bool) -> str:
    said = ", ".join(sign.replace("_", " ") for sign in found.signs) or english("needs reading")
    if found.opt_out:
        said = _ASKED_TO_STOP.format(signs=said)
    return said if known else _FROM_NOBODY.format(signs=said)


def _because(found: Triage) -> str:
    """Return which rules led there, without the patient's words: those stay with the reply."""
    return ", ".join(dict.fromkeys(evidence.rule for evidence in found.why))
