"""Take in what people wrote: read it, store it, act on it and answer, in one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.delivery.numbers import to_e164
from reminders.desk.answer_reply import Answer, answer
from reminders.desk.composing import Desk
from reminders.desk.concern_from_reply import raise_concern, seek_right_address
from reminders.desk.consent import Address, release_address, restart, stop_address
from reminders.desk.contact_details import parse_phone
from reminders.desk.correspondence import Correspondence
from reminders.desk.plan_warnings import heed_plan
from reminders.desk.reply_context import Context, read_reply
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError
from reminders.records import replies
from reminders.records.receipts import message_row
from reminders.records.storable import storable
from reminders.records.tables import Contact, Message, Reply
from reminders.replies import Evidence, Label, Triage, triage
from reminders.sentences import english
from reminders.words import gettext

LONGEST_REPLY = 20_000
"""Characters that are kept; ten SMS have 1,530 at most, and nobody writes a mail of this length to a number."""

_SERIOUS = {Label.EMERGENCY, Label.URGENT}
_FOR_A_PERSON = {*_SERIOUS, Label.ROUTINE}


@dataclass(frozen=True, kw_only=True)
class Incoming:
    """What arrived, as the channel gave it."""

    channel: str
    sender: str
    """Telephone number, or e-mail address."""
    text: str
    gateway_ref: str | None = None
    """The gateway's own name for it; the same twice is the same reply."""
    answers: int | None = None
    """The message that it says it answers."""
    by_machine: bool = False
    """Written by a program: it is not answered, and silence goes on."""
    mail_id: str | None = None
    """Of a mail: its Message-ID, so that the answer joins its thread."""
    left_out: str = ""
    """Of a mail: what it held besides."""
    signature: str = ""
    """The part of that which signs; it is read too, if a sign is in it."""
    attachments: int = 0


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

    incoming: Incoming
    where: Address
    text: str
    contacts: tuple[Contact, ...]
    """Of everybody who has the sender's address, or the one that the answered message went to."""
    found: Triage
    context: Context
    at: datetime


def take_reply(session: Session, desk: Desk, incoming: Incoming) -> Taken:
    """Take in a single reply; as below."""
    (taken,) = take_replies(session, desk, [incoming])
    return taken


def take_replies(session: Session, desk: Desk, incoming: Sequence[Incoming]) -> list[Taken]:
    """Read, store and act on replies, one after the other; return what came of each.

    Whoever wrote, and whatever: it is kept, and what is serious reaches staff. Raises InputError when one has no
    sender; then the whole transaction has to be taken back.
    """
    places = [_place(desk, each) for each in incoming]
    replies.hold_senders(session, {each.address for each in places})
    known = Correspondence(session=session, now=desk.clock.now())
    known.look_up(places)
    refs = [storable(each.gateway_ref or "") or None for each in incoming]
    taken = _brought_before(session, desk, incoming, refs)
    said = []
    for each, where, ref in zip(incoming, places, refs, strict=True):
        name = (each.channel, ref)
        said.append(taken.get(name) or _take(known, desk, each, where, ref))
        if ref:
            taken[name] = replace(said[-1], concern_id=None, answered_with=None, is_new=False)
    return said


def _brought_before(
    session: Session, desk: Desk, incoming: Sequence[Incoming], refs: Sequence[str | None]
) -> dict[tuple[str, str | None], Taken]:
    """Return by channel and gateway's name what came of the replies that were taken before."""
    found: dict[tuple[str, str | None], Taken] = {}
    for channel in {each.channel for each in incoming}:
        mine = [ref for each, ref in zip(incoming, refs, strict=True) if ref and each.channel == channel]
        for ref, earlier in replies.replies_with_refs(session, desk.practice_id, channel, mine).items():
            found[channel, ref] = _as_before(earlier)
    return found


def _take(known: Correspondence, desk: Desk, incoming: Incoming, where: Address, gateway_ref: str | None) -> Taken:
    session = known.session
    said = _understood(known, desk, incoming, where)
    reply = _reply(said, gateway_ref)
    reply_id = replies.add_reply(session, reply)
    details = {"label": str(said.found.label)}
    about = f"reply {reply_id}"
    note_change(session, desk, Action.REPLY_TAKE, (reply.patient_id, about), details=details)
    changed = _act_on_consent(session, said)
    concern_ids = _tell_staff(known, desk, said, reply, changed)
    given = Answer(
        reply=reply,
        found=said.found,
        patient=said.context.patient,
        contacts=said.contacts,
        changed=bool(changed),
        mail_id=incoming.mail_id,
    )
    return Taken(
        reply_id=reply_id,
        label=said.found.label,
        signs=said.found.signs,
        patient_id=reply.patient_id,
        concern_id=concern_ids[0] if concern_ids else None,
        answered_with=answer(session, desk, given),
        is_new=True,
    )


def _understood(known: Correspondence, desk: Desk, incoming: Incoming, where: Address) -> _Understood:
    now = desk.clock.now()
    answered = _answered(known.session, where, incoming.answers)
    contacts = _contacts(known, where, answered)
    text = storable(_with_signature(incoming))[:LONGEST_REPLY]
    read, context = read_reply(known, text, contacts, now, answered=answered)
    found = heed_plan(known.session, desk, read, context.enrollment)
    if incoming.attachments and found.label is Label.NONE:
        found = _with_attachments(found, incoming.attachments)
    return _Understood(
        incoming=incoming, where=where, text=text, contacts=contacts, found=found, context=context, at=now
    )


def _with_signature(incoming: Incoming) -> str:
    """Return the text, with the signature if that says more than who wrote: then it was none."""
    signed = triage(incoming.signature) if incoming.signature else None
    if signed is None or not (signed.label in _SERIOUS or signed.opt_out or signed.wrong_person):
        return incoming.text
    return f"{incoming.text}\n{incoming.signature}"


def _answered(session: Session, where: Address, message_id: int | None) -> Message | None:
    """Return the message that a reply names, if it is one that this practice sent to somebody on this channel."""
    message = message_row(session, message_id) if message_id is not None else None
    if message is None or (message.practice_id, message.channel) != (where.practice_id, where.channel):
        return None
    return message if message.patient_id is not None else None


def _contacts(known: Correspondence, where: Address, answered: Message | None) -> tuple[Contact, ...]:
    """Return the contacts that a reply may be about, the newest patient first.

    Who answers from another mailbox has the mail that went to the one we know: a STOP from there counts here.
    """
    own = known.contacts(where)
    if answered is None or answered.address == where.address:
        return own
    meant = known.contacts(replace(where, address=answered.address))
    patients = {each.patient_id for each in meant}
    return (*meant, *(each for each in own if each.patient_id in patients))


def _with_attachments(found: Triage, count: int) -> Triage:
    """Let a person look at what we can't: the words alone would have closed it."""
    note = english("it came with {count} attachments, kept in the mailbox").format(count=count)
    if count == 1:
        note = english("it came with 1 attachment, kept in the mailbox")
    because = Evidence(rule="mail.attachment", words="", start=0, end=0, note=note)
    return replace(found, label=Label.ROUTINE, signs=("unclear",), why=(*found.why, because))


def _place(desk: Desk, incoming: Incoming) -> Address:
    return Address(practice_id=desk.practice_id, channel=incoming.channel, address=_sender(desk, incoming))


def _sender(desk: Desk, incoming: Incoming) -> str:
    """Return the sender as addresses are kept; what is no number or address (a short code) as it came."""
    sender = storable(incoming.sender).strip()
    if not sender:
        raise InputError(gettext("a reply needs its sender: a number or an e-mail address"))
    if incoming.channel == "email":
        return sender.lower()
    number = to_e164(sender, region=desk.region)  # programs write numbers as gateways do
    if number.startswith("+"):
        return number
    try:
        return parse_phone(number, region=desk.region, zone=desk.zone, at=desk.clock.now()).e164
    except InputError:
        return number


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
        written_by="machine" if said.incoming.by_machine else "person",
        left_out=storable(said.incoming.left_out)[:LONGEST_REPLY] or None,
    )


def _act_on_consent(session: Session, said: _Understood) -> tuple[Contact, ...]:
    """Do what the reply says about writing to its sender; returns the contacts that this changed."""
    if said.found.wrong_person:
        move = release_address
    elif said.found.opt_out:
        move = stop_address
    elif said.found.label is Label.START and not said.incoming.by_machine:  # a program can't consent
        move = restart
    else:
        return ()
    places = (replace(said.where, address=each) for each in dict.fromkeys(one.address for one in said.contacts))
    return tuple(contact for place in places for contact in move(session, place, wording=said.text, at=said.at))


def _tell_staff(
    known: Correspondence, desk: Desk, said: _Understood, reply: Reply, changed: Sequence[Contact]
) -> list[int]:
    """Open or join the concerns that a reply makes, and return their ids; the most urgent comes first."""
    session, opened = known.session, []
    # That somebody is on holiday is nobody's concern; a sign in such a mail is, as it may be the patient's own words.
    wanted = _SERIOUS if said.incoming.by_machine else _FOR_A_PERSON
    if said.found.label in wanted:
        whose = (said.context.patient, said.where)
        opened.append(raise_concern(session, desk, reply, said.found, known.open_concern(*whose)))
        known.note_concern(*whose, opened[0])
    if said.found.wrong_person:
        # Who has given a number back before, and says so again, gives nobody anything to do.
        lost = [contact.patient_id for contact in changed]
        opened += [seek_right_address(session, desk, reply, said.found, each) for each in lost]
        if not said.contacts and not opened:
            opened.append(_wrong_stranger(known, desk, said, reply))
    return opened


def _wrong_stranger(known: Correspondence, desk: Desk, said: _Understood, reply: Reply) -> int:
    """Tell staff once that somebody whom nobody knows was written to; returns the concern's id."""
    joins = known.open_concern(None, said.where)
    if joins is not None:
        return raise_concern(known.session, desk, reply, said.found, joins)
    concern_id = seek_right_address(known.session, desk, reply, said.found, None)
    known.note_concern(None, said.where, concern_id)
    return concern_id


def _as_before(earlier: replies.Known) -> Taken:
    return Taken(
        reply_id=earlier.id,
        label=Label(earlier.label),
        signs=tuple(earlier.signs),
        patient_id=earlier.patient_id,
        concern_id=None,
        answered_with=None,
        is_new=False,
    )
