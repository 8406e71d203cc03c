"""Answer a reply at once, in the patient's language and true to the hour; never more than the approved words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.care.values import Channel, InDoubt
from reminders.desk.composing import AnswerRules, Desk
from reminders.records import replies
from reminders.records.bulk import insert_messages
from reminders.records.message_states import MessageState
from reminders.records.tables import Contact, Patient, Reply
from reminders.replies import Label, Triage
from reminders.wording.answers import answer_languages, render_answer
from reminders.wording.framing import Rendered

_USEFUL = timedelta(minutes=30)
_STOP_CONFIRMATION = timedelta(minutes=5)  # 47 CFR 64.1200(a)(12): presumed allowed within five minutes
_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What is answered, and to whom; no patient when nobody is known under the address."""

    reply: Reply
    found: Triage
    patient: Patient | None
    contacts: tuple[Contact, ...]
    """Of everybody who has the sender's address, as they are after the reply."""
    changed: bool
    """Whether the reply stopped, restarted or released the address."""


def answer(session: Session, desk: Desk, given: Answer) -> str | None:
    """Put the answer to a reply into the outbox and return its name; None when nothing is answered.

    Nothing is answered to thanks, to an address whose owner asked for silence, twice within the hour, or more than
    a few times a day: two machines could otherwise write to each other for ever.
    """
    name = _name_of(given)
    reply = given.reply
    if (
        name is None
        or (name not in _TO_ANYONE and not _may_be_answered(given))
        or _is_too_much(session, name, given, desk.answers)
    ):
        return None
    now = reply.received_at
    rendered = _rendered(desk, name, given)
    useful = _STOP_CONFIRMATION if name == "answer_stopped" else _USEFUL
    insert_messages(
        session,
        [
            {
                "practice_id": desk.practice_id,
                "patient_id": reply.patient_id,
                "enrollment_id": None,
                "answers_reply_id": reply.id,
                "kind": "answer",
                "key": name,
                "occurrence": 1,
                "text_name": name,
                "joined_into": None,
                "channel": reply.channel,
                "address": reply.sender,
                "language": _language(desk, given),
                "state": MessageState.SCHEDULED.value,
                "planned_at": now,
                "send_at": now,
                "due_at": now,
                "useful_until": now + useful,
                "required": False,
                "importance": 1,
                "in_doubt": InDoubt.RESEND.value,
                "asks": None,
                "subject": rendered.subject,
                "text": rendered.text,
                "markdown": rendered.markdown,
                "encoding": rendered.encoding,
                "segments": rendered.segments,
                "reasons": [{"rule": "answer", "text": f"answers reply {reply.id}"}],
                "detail": None,
            }
        ],
    )
    return name


_TO_ANYONE = frozenset({"answer_emergency", "answer_stopped", "answer_wrong_person", "answer_help", "answer_started"})
"""Sent even to an address that is stopped or that nobody is known under: each holds no data of a patient."""

_NAMES = {
    Label.EMERGENCY: "answer_emergency",
    Label.URGENT: "answer_urgent",
    Label.ROUTINE: "answer_routine",
    Label.STOP: "answer_stopped",
    Label.START: "answer_started",
    Label.HELP: "answer_help",
    Label.WRONG_PERSON: "answer_wrong_person",
}


def _name_of(given: Answer) -> str | None:
    found = given.found
    if found.label is Label.EMERGENCY:
        return "answer_emergency"
    news = given.changed or not given.contacts
    if found.wrong_person:
        return "answer_wrong_person" if news else None
    if found.opt_out:
        # The one text allowed after an opt-out confirms it; a person telephones about the rest.
        return "answer_stopped" if news else None
    if given.patient is None and found.label in {Label.ROUTINE, Label.START}:
        return None
    return _NAMES.get(found.label)


def _may_be_answered(given: Answer) -> bool:
    return not given.contacts or any(contact.state == "active" for contact in given.contacts)


def _is_too_much(session: Session, name: str, given: Answer, rules: AnswerRules) -> bool:
    """Say whether the sender was answered enough; an emergency is answered whatever else was."""
    now = given.reply.received_at
    ids = [contact.patient_id for contact in given.contacts if contact.state != "released"]
    earlier = replies.answers_since(session, given.reply, ids, since=now - _DAY)
    again_after = rules.emergency_again_after if name == "answer_emergency" else rules.again_after
    if any(each.key == name and each.at > now - again_after for each in earlier):
        return True
    return name not in {"answer_emergency", "answer_stopped"} and len(earlier) >= rules.most_a_day


def _rendered(desk: Desk, name: str, given: Answer) -> Rendered:
    now = given.reply.received_at
    urgency = "urgent" if name == "answer_urgent" else "routine"
    zone = ZoneInfo(given.patient.zone) if given.patient else desk.zone
    due: datetime = desk.due.due_at(urgency, now, desk.opening)
    return render_answer(
        name,
        language=_language(desk, given),
        channel=Channel(given.reply.channel),
        sender=desk.house.sender,
        shared=desk.library.shared,
        office_open=desk.opening.is_open(now),
        due=due.astimezone(zone),
    )


def _language(desk: Desk, given: Answer) -> str:
    """Return the patient's language, else the one the reply is in, else the practice's, as far as there are texts.

    Whoever is not the patient learns nothing about them, not even their language.
    """
    known = answer_languages(desk.library.shared)
    own = given.patient if not given.found.wrong_person else None
    spoken = own.language if own else given.found.language
    return next((code for code in (spoken, desk.language) if code in known), "en")
