"""Queries about patients, their addresses and their consent."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import bindparam, insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from reminders.records.row_proofs import to_prove
from reminders.records.tables import ConsentEvent, Contact, Patient, Practice

_PATIENTS = SQLModel.metadata.tables["patient"]
_CONTACTS = SQLModel.metadata.tables["contact"]
_CONSENTS = SQLModel.metadata.tables["consent_event"]


@dataclass(frozen=True, kw_only=True)
class ConsentLine:
    """What is added to the consent history of a patient."""

    practice_id: str
    patient_id: int
    channel: str
    address: str
    action: str
    source: str
    wording: str
    recorded_by: str
    at: datetime


class Holder(NamedTuple):
    """A patient who has an address, and whether it may be used."""

    patient_id: int
    first_name: str
    last_name: str
    contact_state: str


def holders_at(
    session: Session, practice_id: str, channel: str, addresses: Collection[str]
) -> dict[str, tuple[Holder, ...]]:
    """Return by address every patient who has it, the earliest first; relatives share one."""
    values = {"practice_id": practice_id, "channel": channel, "addresses": [*addresses]}
    found: dict[str, tuple[Holder, ...]] = {}
    for address, *holder in session.connection().execute(_HOLDERS, values):
        found[address] = (*found.get(address, ()), Holder._make(holder))
    return found


def add_patients(session: Session, rows: Sequence[Mapping[str, Any]]) -> Sequence[int]:
    """Add patients with these columns and return the new ids in the same order."""
    ids = session.connection().execute(_ADD_PATIENTS, [*rows]).scalars().all() if rows else ()
    to_prove(session, "patient", ids)
    return ids


def add_contacts(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add addresses of patients who do not have them yet, each with its state."""
    if rows:
        session.connection().execute(_ADD_CONTACT, [*rows])
        to_prove(session, "patient", (row["patient_id"] for row in rows))


def set_patient(session: Session, patient_id: int, **values: Any) -> None:
    """Change columns of a patient; who keeps names in memory learns of a new one."""
    session.execute(update(Patient).where(col(Patient.id) == patient_id).values(**values))
    if not values.keys().isdisjoint({"first_name", "last_name"}):
        of_patient = select(col(Patient.practice_id)).where(col(Patient.id) == patient_id).scalar_subquery()
        changed = update(Practice).where(col(Practice.id) == of_patient)
        session.execute(changed.values(renamings=col(Practice.renamings) + 1))
        to_prove(session, "patient", [patient_id])


def put_contact(session: Session, practice_id: str, patient_id: int, channel: str, address: str) -> Contact:
    """Make an address of a patient usable; one that had been stopped is usable again, as consent is given anew."""
    statement = select(Contact).where(
        col(Contact.patient_id) == patient_id, col(Contact.channel) == channel, col(Contact.address_key) == address
    )
    contact = session.execute(statement).scalar_one_or_none()
    if contact is None:
        contact = Contact(practice_id=practice_id, patient_id=patient_id, channel=channel, address=address)
        session.add(contact)
        to_prove(session, "patient", [patient_id])
    contact.state = "active"
    return contact


def add_consent(session: Session, *lines: ConsentLine) -> None:
    """Add lines to the consent history."""
    session.flush()
    if lines:
        session.connection().execute(_ADD_CONSENT, [vars(line) for line in lines])


def contacts_at(session: Session, practice_id: str, channel: str, *addresses: str) -> list[Contact]:
    """Return every patient's contact under any of these addresses, the newest patient first."""
    values = {"practice": practice_id, "channel": channel, "addresses": addresses}
    return list(session.execute(_CONTACTS_AT, values).scalars())


def mark_unreachable(session: Session, practice_id: str, channel: str, address: str) -> tuple[int, ...]:
    """Mark an address in use as one that does not work; return the patients who have it, none when it was before."""
    statement = (
        update(_CONTACTS)
        .where(
            _CONTACTS.c.practice_id == practice_id,
            _CONTACTS.c.channel == channel,
            _CONTACTS.c.address_key == address,
            _CONTACTS.c.state == "active",
        )
        .values(state="unreachable")
        .returning(_CONTACTS.c.patient_id)
    )
    return tuple(sorted(session.connection().execute(statement).scalars()))


def contacts_of(session: Session, patient_id: int) -> list[Contact]:
    """Return a patient's contacts."""
    return list(session.execute(select(Contact).where(col(Contact.patient_id) == patient_id)).scalars())


def patient_of(session: Session, patient_id: int) -> Patient | None:
    """Return a patient, None when there is none with this id."""
    return session.get(Patient, patient_id)


def patients_of(session: Session, patient_ids: Collection[int]) -> dict[int, Patient]:
    """Return patients by their ids."""
    if len(patient_ids) == 1:
        (only,) = patient_ids
        patient = patient_of(session, only)  # whom the session may have at hand
        return {} if patient is None else {only: patient}
    found = session.execute(_PATIENTS_OF, {"ids": [*patient_ids]}).scalars() if patient_ids else ()
    return {new_id(each.id): each for each in found}


def consent_history(session: Session, patient_id: int) -> list[ConsentEvent]:
    """Return a patient's consent history, oldest first."""
    statement = select(ConsentEvent).where(col(ConsentEvent.patient_id) == patient_id).order_by(col(ConsentEvent.id))
    return list(session.execute(statement).scalars())


def new_id(value: int | None) -> int:
    """Return the id that the database gave to a row just added."""
    if value is None:
        raise RuntimeError("the database gave no id to a new row")
    return value


# Built once: an import enrolls hundreds of patients in a second, and building a statement costs more than running it.
_HOLDERS = (
    select(_CONTACTS.c.address, _PATIENTS.c.id, _PATIENTS.c.first_name, _PATIENTS.c.last_name, _CONTACTS.c.state)
    .join(_CONTACTS, _CONTACTS.c.patient_id == _PATIENTS.c.id)
    .where(
        _CONTACTS.c.practice_id == bindparam("practice_id"),
        _CONTACTS.c.channel == bindparam("channel"),
        _CONTACTS.c.address_key.in_(bindparam("addresses", expanding=True)),
    )
    .order_by(_PATIENTS.c.id)
)
_ADD_PATIENTS = insert(_PATIENTS).returning(_PATIENTS.c.id, sort_by_parameter_order=True)
_ADD_CONTACT = insert(_CONTACTS)
_ADD_CONSENT = insert(_CONSENTS)
_CONTACTS_AT = (
    select(Contact)
    .where(
        col(Contact.practice_id) == bindparam("practice"),
        col(Contact.channel) == bindparam("channel"),
        col(Contact.address_key).in_(bindparam("addresses", expanding=True)),
    )
    .order_by(col(Contact.patient_id).desc())
)
_PATIENTS_OF = select(Patient).where(col(Patient.id).in_(bindparam("ids", expanding=True)))
