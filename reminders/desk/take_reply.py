"""Take in what somebody wrote: read it, store it, act on it and answer, in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.answer_reply import Answer, answer
from reminders.desk.composing import Desk
from reminders.desk.concern_from_reply import raise_concern, seek_right_address
from reminders.desk.consent import Address, release_address, restart, stop_address
from reminders.desk.contact_details import parse_phone
from reminders.desk.plan_warnings import heed_plan
from reminders.desk.reply_context import Context, read_reply
from reminders.errors import InputError
from reminders.records import people, replies
from reminders.records.tables import Contact, Reply
from reminders.replies import Label, Triage

LONGEST_REPLY = 20_000
"""Characters that are kept; ten SMS have 1,530 at most, and nobody writes a mail of this length to a number."""

_FOR_A_PERSON = {Label.EMERGENCY, Label.URGENT, Label.ROUTINE}


@dataclass(frozen=True, kw_only=True)
class Incoming:
    """What arrived, as the channel gave it."""

    channel: str
    sender: str
    """Telephone number, or e-mail address."""
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
    """The first one, when a number that several patients have turns out to be nobody's."""
    answered_with: str | None
    is_new: bool
    """False when the gateway had delivered it before, and nothing was done again."""


@dataclass(frozen=True, kw_only=True)
class _Understood:
    """A reply that was read."""

    where: Address
    text: str
    contacts: Sequence[Contact]
    """Of everybody who has the sender's address."""
    found: Triage
    context: Context
    at: datetime


def take_reply(session: Session, desk: Desk, incoming: Incoming) -> Taken:
    """Read, store and act on a reply. Whoever wrote, and whatever: it is kept, and what is serious reaches staff.

    Raises InputError without a sender.
    """
    gateway_ref = _storable(incoming.gateway_ref or "") or None
    if gateway_ref:
        earlier = replies.reply_with_ref(session, desk.practice_id, incoming.channel, gateway_ref)
        if earlier is not None:
            return _as_before(earlier)
    now = desk.clock.now()
    where = Address(practice_id=desk.practice_id, channel=incoming.channel, address=_sender(desk, incoming))
    contacts = tuple(people.contacts_at(session, where.practice_id, where.channel, where.address))
    text = _storable(incoming.text)[:LONGEST_REPLY]
    read, context = read_reply(session, text, contacts, now)
    found = heed_plan(session, desk, read, context.enrollment)
    understood = _Understood(where=where, text=text, contacts=contacts, found=found, context=context, at=now)
    reply = _reply(understood, gateway_ref)
    reply_id = replies.add_reply(session, reply)
    changed = _act_on_consent(session, understood)
    concern_ids = _tell_staff(session, desk, understood, reply, changed)
    given = Answer(reply=reply, found=found, patient=context.patient, contacts=contacts, changed=bool(changed))
    return Taken(
        reply_id=reply_id,
        label=found.label,
        signs=found.signs,
        patient_id=reply.patient_id,
        concern_id=concern_ids[0] if concern_ids else None,
        answered_with=answer(session, desk, given),
        is_new=True,
    )


def _sender(desk: Desk, incoming: Incoming) -> str:
    """Return the sender as addresses are kept; what is no number or address (a short code) as it came."""
    sender = _storable(incoming.sender).strip()
    if not sender:
        raise InputError("a reply needs its sender: a number or an e-mail address")
    if incoming.channel == "email":
        return sender.lower()
    try:
        return parse_phone(sender, region=desk.region, zone=desk.zone, at=desk.clock.now()).e164
    except InputError:
        return sender


def _storable(text: str) -> str:
    """Return text that every database takes: PostgreSQL has no NUL, and half a surrogate pair is no character."""
    return text.encode("utf-8", "replace").decode().replace("\x00", "\N{REPLACEMENT CHARACTER}")


def _reply(said: _Understood, gateway_ref: str | None) -> Reply:
    context = said.context
    return Reply(
        practice_id=said.where.practice_id,
        patient_id=context.patient.id if context.patient else None,
        enrollment_id=context.enrollment.id if context.enrollment else None,
        message_id=context.message.id if context.message else None,
        channel=said.where.channel,
        sender=said.where.address,
        text=said.text,
        gateway_ref=gateway_ref,
        received_at=said.at,
        after=context.after,
        label=str(said.found.label),
        signs=list(said.found.signs),
        why=[asdict(evidence) for evidence in said.found.why],
    )


def _act_on_consent(session: Session, said: _Understood) -> tuple[Contact, ...]:
    """Do what the reply says about writing to its sender; returns the contacts that this changed."""
    if said.found.wrong_person:
        return release_address(session, said.where, wording=said.text, at=said.at)
    if said.found.opt_out:
        return stop_address(session, said.where, wording=said.text, at=said.at)
    if said.found.label is Label.START:
        return restart(session, said.where, wording=said.text, at=said.at)
    return ()


def _tell_staff(session: Session, desk: Desk, said: _Understood, reply: Reply, changed: Sequence[Contact]) -> list[int]:
    """Open or join the concerns that a reply makes, and return their ids; the most urgent comes first."""
    opened = []
    if said.found.label in _FOR_A_PERSON:
        opened.append(raise_concern(session, desk, reply, said.found, said.context.patient))
    if said.found.wrong_person:
        lost: list[int | None] = [contact.patient_id for contact in changed]
        # Who has given a number back before, and says so again, gives nobody anything to do.
        seekers = lost or ([] if said.contacts else [None])
        opened += [seek_right_address(session, desk, reply, said.found, each) for each in seekers]
    return opened


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
