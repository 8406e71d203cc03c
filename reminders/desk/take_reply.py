"""Take in what somebody wrote: read it, store it, act on it and answer, in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.timing import course_day
from reminders.desk.answer_reply import Answer, answer
from reminders.desk.composing import Desk
from reminders.desk.concern_from_reply import raise_concern
from reminders.desk.consent import Address, release_address, restart, stop_address
from reminders.desk.course_facts import from_json
from reminders.errors import InputError
from reminders.records import courses, people, replies
from reminders.records.tables import Contact, Message, Patient, Reply
from reminders.replies import Label, Triage, triage

LONGEST_REPLY = 20_000
"""Characters that are kept; ten SMS have 1,530 at most, and nobody writes a mail of this length to a number."""

_STILL_ANSWERED = timedelta(days=3)
"""A reply within this time answers the last message."""

_QUESTION_PENDING = timedelta(hours=36)
"""A short reply within this time may answer a question asked before the last message."""


@dataclass(frozen=True, kw_only=True)
class Incoming:
    """What arrived, as the channel gave it."""

    channel: str
    sender: str
    """E.164 number, or e-mail address."""
    text: str
    gateway_ref: str | None = None
    """The gateway's own name for it; the same twice is the same reply."""


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What came of a reply."""

    reply_id: int
    label: Label
    signs: tuple[str, ...]
    patient_id: int | None
    concern_id: int | None
    answered_with: str | None
    is_new: bool
    """False when the gateway had delivered it before, and nothing was done again."""


def take_reply(session: Session, desk: Desk, incoming: Incoming) -> Taken:
    """Read, store and act on a reply. Whoever wrote, and whatever: it is kept, and what is serious reaches staff."""
    if not incoming.sender.strip():
        raise InputError("a reply needs its sender: a number or an e-mail address")
    if incoming.gateway_ref:
        earlier = replies.reply_with_ref(session, desk.practice_id, incoming.channel, incoming.gateway_ref)
        if earlier is not None:
            return _as_before(earlier)
    now = desk.clock.now()
    contacts = people.contacts_at(session, desk.practice_id, incoming.channel, incoming.sender)
    told = _what_was_told(session, contacts, incoming.channel, now)
    patient = _who(session, contacts, told)
    text = incoming.text[:LONGEST_REPLY]
    found, context = _read(session, text, told, patient, now)
    reply = Reply(
        practice_id=desk.practice_id,
        patient_id=patient.id if patient else None,
        enrollment_id=context.message.enrollment_id if context.message else None,
        message_id=context.message.id if context.message else None,
        channel=incoming.channel,
        sender=incoming.sender,
        text=text,
        gateway_ref=incoming.gateway_ref,
        received_at=now,
        after=context.after,
        label=str(found.label),
        signs=list(found.signs),
        why=[asdict(evidence) for evidence in found.why],
    )
    reply_id = replies.add_reply(session, reply)
    _act_on_consent(session, desk, incoming, found, at=now)
    concern_id = raise_concern(session, desk, reply, found, patient) if _needs_staff(found) else None
    answered = answer(session, desk, Answer(reply=reply, found=found, patient=patient))
    return Taken(
        reply_id=reply_id,
        label=found.label,
        signs=found.signs,
        patient_id=reply.patient_id,
        concern_id=concern_id,
        answered_with=answered,
        is_new=True,
    )


@dataclass(frozen=True, kw_only=True)
class _Context:
    """The message that a reply answers and how that reads; no message when nothing was sent lately."""

    after: str
    message: Message | None


def _needs_staff(found: Triage) -> bool:
    return found.needs_person or found.wrong_person


def _what_was_told(session: Session, contacts: Sequence[Contact], channel: str, now: datetime) -> list[Message]:
    ids = [contact.patient_id for contact in contacts]
    if not ids:
        return []
    return replies.reached_messages(session, ids, channel, since=now - _STILL_ANSWERED, until=now)


def _who(session: Session, contacts: Sequence[Contact], told: Sequence[Message]) -> Patient | None:
    """Return who wrote: under a shared number, whoever was told something last, else the newest patient."""
    patient_id = told[0].patient_id if told else (contacts[0].patient_id if contacts else None)
    return people.patient_of(session, patient_id) if patient_id is not None else None


def _read(
    session: Session, text: str, told: Sequence[Message], patient: Patient | None, now: datetime
) -> tuple[Triage, _Context]:
    """Read the reply as an answer to the last message; if it makes no sense there, to the question still open."""
    mine = [message for message in told if patient is None or message.patient_id == patient.id]
    last = _Context(after=_context_of(mine[0]) if mine else "none", message=mine[0] if mine else None)
    found = _triage(session, text, last, patient, now)
    if found.label is Label.ROUTINE and set(found.signs) <= {"unclear"} and mine and not mine[0].asks:
        asked = next((each for each in mine if each.asks and each.send_at >= now - _QUESTION_PENDING), None)
        if asked is not None:
            pending = _Context(after=_context_of(asked), message=asked)
            return _triage(session, text, pending, patient, now), pending
    return found, last


def _context_of(message: Message) -> str:
    by_question = {"yes_no": "checkin_yesno", "pain": "checkin_pain", "visit": "visit"}
    return by_question.get(message.asks or "", message.key)


def _triage(session: Session, text: str, context: _Context, patient: Patient | None, now: datetime) -> Triage:
    enrollment_id = context.message.enrollment_id if context.message else None
    enrollment = courses.enrollment_of(session, enrollment_id) if enrollment_id is not None else None
    course = from_json(enrollment.facts) if enrollment else None
    return triage(
        text,
        after=context.after,
        language=patient.language if patient else "en",
        day=course_day(now, procedure_end=course.procedure_end, zone=course.zone) if course else None,
        factors=course.factors if course else frozenset(),
    )


def _act_on_consent(session: Session, desk: Desk, incoming: Incoming, found: Triage, *, at: datetime) -> None:
    where = Address(practice_id=desk.practice_id, channel=incoming.channel, address=incoming.sender)
    if found.wrong_person:
        release_address(session, where, wording=incoming.text, at=at)
    elif found.opt_out:
        stop_address(session, where, wording=incoming.text, at=at)
    elif found.label is Label.START:
        restart(session, where, wording=incoming.text, at=at)


def _as_before(earlier: Reply) -> Taken:
    return Taken(
        reply_id=people.new_id(earlier.id),
        label=Label(earlier.label),
        signs=tuple(earlier.signs),
        patient_id=earlier.patient_id,
        concern_id=None,
        answered_with=None,
        is_new=False,
    )
