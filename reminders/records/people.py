"""Queries about patients, their addresses and their consent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, insert, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import ConsentEvent, Contact, Patient


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


def find_patient(
    session: Session, practice_id: str, addresses: Sequence[tuple[str, str]], *, name: tuple[str, str]
) -> Patient | None:
    """Return the patient of this first and last name under one of the addresses (channel, address), if there is one.

    Relatives share a number, so the name decides, without regard to case.
    """
    wanted = or_(
        *((col(Contact.channel) == channel) & (col(Contact.address) == address) for channel, address in addresses)
    )
    statement = (
        select(Patient)
        .join(Contact, col(Contact.patient_id) == col(Patient.id))
        .where(col(Patient.practice_id) == practice_id, col(Contact.practice_id) == practice_id, wanted)
        .order_by(col(Patient.id))
    )
    first, last = (part.casefold() for part in name)
    for patient in session.execute(statement).scalars().unique():
        if (patient.first_name.casefold(), patient.last_name.casefold()) == (first, last):
            return patient
    return None


def add_patient(session: Session, patient: Patient) -> int:
    """Add a patient and return the new id."""
    session.add(patient)
    session.flush()
    return new_id(patient.id)


def put_contact(session: Session, practice_id: str, patient_id: int, channel: str, address: str) -> Contact:
    """Make an address of a patient usable; one that had been stopped is usable again, as consent is given anew."""
    statement = select(Contact).where(
        col(Contact.patient_id) == patient_id, col(Contact.channel) == channel, col(Contact.address) == address
    )
    contact = session.execute(statement).scalar_one_or_none()
    if contact is None:
        contact = Contact(practice_id=practice_id, patient_id=patient_id, channel=channel, address=address)
        session.add(contact)
    contact.state = "active"
    return contact


def add_consent(session: Session, line: ConsentLine) -> None:
    """Add a line to the consent history."""
    session.execute(insert(ConsentEvent).values(**vars(line)))


def contacts_at(session: Session, practice_id: str, channel: str, address: str) -> list[Contact]:
    """Return every patient's contact under an address, the newest patient first; empty when nobody is known."""
    statement = (
        select(Contact)
        .where(
            col(Contact.practice_id) == practice_id, col(Contact.channel) == channel, col(Contact.address) == address
        )
        .order_by(col(Contact.patient_id).desc())
    )
    return list(session.execute(statement).scalars())


def contacts_of(session: Session, patient_id: int) -> list[Contact]:
    """Return a patient's contacts."""
    return list(session.execute(select(Contact).where(col(Contact.patient_id) == patient_id)).scalars())


def patient_of(session: Session, patient_id: int) -> Patient | None:
    """Return a patient, None when there is none with this id."""
    return session.get(Patient, patient_id)


def consent_history(session: Session, patient_id: int) -> list[ConsentEvent]:
    """Return a patient's consent history, oldest first."""
    statement = select(ConsentEvent).where(col(ConsentEvent.patient_id) == patient_id).order_by(col(ConsentEvent.id))
    return list(session.execute(statement).scalars())


def count_patients(session: Session, practice_id: str) -> int:
    """Return how many patients the practice has."""
    return session.execute(
        select(func.count()).select_from(Patient).where(col(Patient.practice_id) == practice_id)
    ).scalar_one()


def new_id(value: int | None) -> int:
    """Return the id that the database gave to a row just added."""
    if value is None:
        raise RuntimeError("the database gave no id to a new row")
    return value
