"""Consent given, withdrawn and an address released; each step is added to a history that nobody changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.care.timing import zone_named
from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_email, parse_phone
from reminders.desk.mail_warning import require_warning
from reminders.desk.statement import Statement
from reminders.errors import InputError, NotFound
from reminders.records import audit, people
from reminders.records.audit import Noted
from reminders.records.people import ConsentLine
from reminders.records.silenced import end_silence
from reminders.records.tables import Contact, Message
from reminders.sentences import english
from reminders.wording.links import unsubscribed_message
from reminders.words import gettext

LONGEST_WORDING = 500

_HOLDER = english("whoever holds the address")
_ON_PAGE = english("the patient, on their page")
_SOURCES = {_HOLDER: "reply", _ON_PAGE: "page"}


@dataclass(frozen=True, kw_only=True)
class ConsentStep:
    """One line of a patient's consent history."""

    at: datetime
    action: str
    channel: str
    address: str
    source: str
    recorded_by: str
    wording: str


@dataclass(frozen=True, kw_only=True)
class ConsentState:
    """Where a patient may be written to, and how it came to that."""

    patient_id: int
    addresses: tuple[Contact, ...]
    history: tuple[ConsentStep, ...]
    """Oldest first."""


@dataclass(frozen=True, kw_only=True)
class Address:
    """Where a practice writes to."""

    practice_id: str
    channel: str
    address: str


def consent_state(session: Session, desk: Desk, patient_id: int) -> ConsentState:
    """Return a patient's addresses and consent history; raises NotFound."""
    patient = people.patient_of(session, patient_id)
    if patient is None or patient.practice_id != desk.practice_id:
        raise NotFound(gettext("there is no patient {id}; `reminders patients` lists them", id=patient_id))
    return ConsentState(
        patient_id=patient_id,
        addresses=tuple(people.contacts_of(session, patient_id)),
        history=consent_steps(session, patient_id),
    )


def consent_steps(session: Session, patient_id: int) -> tuple[ConsentStep, ...]:
    """Return a patient's consent history, oldest first."""
    return tuple(
        ConsentStep(
            at=line.at,
            action=line.action,
            channel=line.channel,
            address=line.address,
            source=line.source,
            recorded_by=line.recorded_by,
            wording=line.wording,
        )
        for line in people.consent_history(session, patient_id)
    )


def record_consent(
    session: Session, desk: Desk, patient_id: int, address: str, statement: Statement
) -> tuple[str, ...]:
    """Record that a patient agreed to be written to at a number or e-mail address; returns warnings.

    Raises NotFound for an unknown patient, InputError for an address that is none, Unwarned for an e-mail address
    with words that hold no warning.
    """
    patient = people.patient_of(session, patient_id)
    if patient is None:
        raise NotFound(gettext("there is no patient {patient_id}", patient_id=patient_id))
    now = desk.clock.now()
    warnings: tuple[str, ...] = ()
    if "@" in address:
        channel, exact = "email", parse_email(address)
        require_warning(statement.wording[:LONGEST_WORDING])
    else:
        number = parse_phone(address, region=desk.region, zone=zone_named(patient.zone), at=now)
        channel, exact, warnings = "sms", number.e164, number.warnings
    contact = people.put_contact(session, desk.practice_id, patient_id, channel, exact)
    end_silence(session, desk.practice_id, channel, exact)
    _add_line(session, contact, "given", statement, at=now)
    return warnings


def withdraw_consent(session: Session, desk: Desk, patient_id: int, channel: str, statement: Statement) -> int:
    """Record that a patient does not want to be written to on a channel; returns how many addresses that stops."""
    if channel not in {"sms", "email"}:
        raise InputError(gettext("no channel {channel!r}; there are sms, email", channel=channel))
    # What was given back is not theirs to stop: as "stopped" its holder's START would bring it back.
    known = people.contacts_of(session, patient_id)
    mine = [each for each in known if each.channel == channel and each.state != "released"]
    if not mine:
        raise NotFound(
            gettext("patient {patient_id} has no address for {channel}", patient_id=patient_id, channel=channel)
        )
    for contact in mine:
        contact.state = "stopped"
        _add_line(session, contact, "withdrawn", statement, at=desk.clock.now())
    return len(mine)


def withdraw_everywhere(session: Session, desk: Desk, patient_id: int, *, wording: str) -> int:
    """Record that a patient wants no more messages at all, as they said on their own page.

    Returns how many addresses that stops; 0 when none was written to any more.
    """
    mine = [each for each in people.contacts_of(session, patient_id) if each.state == "active"]
    for contact in mine:
        contact.state = "stopped"
        statement = Statement(wording=wording, recorded_by=_ON_PAGE)
        _add_line(session, contact, "withdrawn", statement, at=desk.clock.now())
    return len(mine)


def stop_address(session: Session, where: Address, *, wording: str, at: datetime) -> tuple[Contact, ...]:
    """Stop writing to an address, for everybody who has it: whoever holds the phone asked for it.

    Returns the contacts that this changed; as the two below.
    """
    return _move(session, where, _STOP, wording=wording, at=at)


def unsubscribe(session: Session, desk: Desk, token: str, *, key: bytes) -> bool:
    """Stop writing to where the e-mail went whose unsubscribe link holds this token; False when it is none of ours.

    A link is good for as often as it is followed: an address that is stopped stays so.
    """
    message_id = unsubscribed_message(key, token)
    message = session.get(Message, message_id) if message_id is not None else None
    if message is None or message.practice_id != desk.practice_id or message.kind == "staff":
        return False
    where = Address(practice_id=desk.practice_id, channel=message.channel, address=message.address)
    stop_address(session, where, wording=english("the unsubscribe link of an e-mail"), at=desk.clock.now())
    return True


def release_address(session: Session, where: Address, *, wording: str, at: datetime) -> tuple[Contact, ...]:
    """Never send anybody's data to an address again, as it belongs to someone else."""
    return _move(session, where, _RELEASE, wording=wording, at=at)


def restart(session: Session, where: Address, *, wording: str, at: datetime) -> tuple[Contact, ...]:
    """Write again to an address that had been stopped, or seemed not to work; one that was released stays released."""
    return _move(session, where, _RESTART, wording=wording, at=at)


@dataclass(frozen=True, kw_only=True)
class _Move:
    """A step of the consent history that the holder of an address takes."""

    was: frozenset[str]
    becomes: str
    action: str


_STOP = _Move(was=frozenset({"active", "unreachable"}), becomes="stopped", action="withdrawn")
_RELEASE = _Move(was=frozenset({"active", "stopped", "unreachable"}), becomes="released", action="released")
_RESTART = _Move(was=frozenset({"stopped", "unreachable"}), becomes="active", action="given")


def _move(session: Session, where: Address, move: _Move, *, wording: str, at: datetime) -> tuple[Contact, ...]:
    found = people.contacts_at(session, where.practice_id, where.channel, where.address)
    moved = tuple(contact for contact in found if contact.state in move.was)
    for contact in moved:
        contact.state = move.becomes
        _add_line(session, contact, move.action, Statement(wording=wording, recorded_by=_HOLDER), at=at)
    return moved


def _add_line(session: Session, contact: Contact, action: str, statement: Statement, *, at: datetime) -> None:
    people.add_consent(
        session,
        ConsentLine(
            practice_id=contact.practice_id,
            patient_id=contact.patient_id,
            channel=contact.channel,
            address=contact.address,
            action=action,
            source=_SOURCES.get(statement.recorded_by, "staff"),
            wording=statement.wording[:LONGEST_WORDING],
            recorded_by=statement.recorded_by,
            at=at,
        ),
    )
    # who acts on an address for everybody that has it knows no desk
    audit.note(
        session,
        Noted(
            practice_id=contact.practice_id,
            at=at,
            action=f"consent.{action}",
            patient_id=contact.patient_id,
            about=contact.channel,
        ),
    )
