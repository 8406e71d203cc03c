"""Queries that find patients, courses and messages for a list; small parts only, as lists are long."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import bindparam, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.people import new_id
from reminders.records.tables import Contact, Enrollment, Message, Patient


@dataclass(frozen=True, kw_only=True)
class PatientLine:
    """A patient as a list shows one."""

    id: int
    first_name: str
    last_name: str
    language: str
    zone: str


@dataclass(frozen=True, kw_only=True)
class EnrollmentLine:
    """A course as a list shows one."""

    id: int
    patient_id: int
    procedure: str
    procedure_on: date
    state: str
    enrolled_at: datetime
    enrolled_by: str


@dataclass(frozen=True, kw_only=True)
class MessageFilter:
    """Which messages are wanted; what is None or empty does not narrow."""

    enrollment_id: int | None = None
    states: tuple[str, ...] = ()
    due_by: datetime | None = None
    """Only scheduled ones whose moment has come by then."""
    limit: int = 500


@dataclass(frozen=True, kw_only=True)
class Place:
    """How far a list was read: the last message looked at."""

    send_at: datetime
    id: int


@dataclass(frozen=True, kw_only=True)
class Window:
    """Messages by the moment they go out: not before `since`, before `until`, behind `after`; None does not narrow."""

    since: datetime | None = None
    until: datetime | None = None
    after: Place | None = None


def newest_patients(session: Session, practice_id: str, limit: int) -> list[int]:
    """Return the patients of the practice, the newest first."""
    statement = select(col(Patient.id)).where(col(Patient.practice_id) == practice_id)
    found = session.execute(statement.order_by(col(Patient.id).desc()).limit(limit)).scalars()
    return [new_id(number) for number in found]


def patient_lines(session: Session, ids: Collection[int]) -> list[PatientLine]:
    """Return these patients, the newest first."""
    statement = (
        select(
            col(Patient.id),
            col(Patient.first_name),
            col(Patient.last_name),
            col(Patient.language),
            col(Patient.zone),
        )
        .where(col(Patient.id).in_(ids))
        .order_by(col(Patient.id).desc())
    )
    rows = session.execute(statement).all()
    return [
        PatientLine(id=new_id(number), first_name=first, last_name=last, language=language, zone=zone)
        for number, first, last, language, zone in rows
    ]


def contacts_by_patient(session: Session, ids: Collection[int]) -> dict[int, tuple[Contact, ...]]:
    """Return the contacts of patients, SMS first."""
    found: dict[int, tuple[Contact, ...]] = {}
    for contact in session.execute(_CONTACTS_OF, {"patients": [*ids]}).scalars() if ids else ():
        found[contact.patient_id] = (*found.get(contact.patient_id, ()), contact)
    return found


def enrollment_lines(
    session: Session, practice_id: str, patient_ids: Collection[int] | None, *, running_only: bool
) -> list[EnrollmentLine]:
    """Return courses, of these patients if any are named, the newest first."""
    statement = (
        select(
            col(Enrollment.id),
            col(Enrollment.patient_id),
            col(Enrollment.procedure),
            col(Enrollment.procedure_on),
            col(Enrollment.state),
            col(Enrollment.enrolled_at),
            col(Enrollment.enrolled_by),
        )
        .where(col(Enrollment.practice_id) == practice_id)
        .order_by(col(Enrollment.id).desc())
    )
    if patient_ids is not None:
        statement = statement.where(col(Enrollment.patient_id).in_(patient_ids))
    if running_only:
        statement = statement.where(col(Enrollment.state) == "active")
    return [
        EnrollmentLine(
            id=new_id(row.id),
            patient_id=row.patient_id,
            procedure=row.procedure,
            procedure_on=row.procedure_on,
            state=row.state,
            enrolled_at=row.enrolled_at,
            enrolled_by=row.enrolled_by,
        )
        for row in session.execute(statement).all()
    ]


def find_messages(session: Session, practice_id: str, wanted: MessageFilter) -> list[Message]:
    """Return messages in send order, `wanted.limit` at most."""
    statement = select(Message).where(col(Message.practice_id) == practice_id)
    if wanted.enrollment_id is not None:
        statement = statement.where(col(Message.enrollment_id) == wanted.enrollment_id)
    if wanted.states:
        statement = statement.where(col(Message.state).in_(wanted.states))
    if wanted.due_by is not None:
        statement = statement.where(col(Message.state) == "scheduled", col(Message.due_at) <= wanted.due_by)
    order = (col(Message.send_at), col(Message.importance), col(Message.id))
    return list(session.execute(statement.order_by(*order).limit(wanted.limit)).scalars())


def message_states_in(session: Session, practice_id: str, window: Window, *, most: int) -> list[tuple[Place, str]]:
    """Return the places and states of the first `most` messages of a window, by send time and number."""
    statement = select(col(Message.send_at), col(Message.id), col(Message.state)).where(
        col(Message.practice_id) == practice_id
    )
    after = window.after
    if window.since is not None:
        statement = statement.where(col(Message.send_at) >= window.since)
    if window.until is not None:
        statement = statement.where(col(Message.send_at) < window.until)
    if after is not None:
        later = or_(col(Message.send_at) > after.send_at, col(Message.id) > after.id)
        statement = statement.where(col(Message.send_at) >= after.send_at, later)
    rows = session.execute(statement.order_by(col(Message.send_at), col(Message.id)).limit(most)).all()
    return [(Place(send_at=send_at, id=new_id(number)), state) for send_at, number, state in rows]


def messages_by_id(session: Session, ids: Collection[int]) -> dict[int, Message]:
    """Return messages by their ids."""
    found = session.execute(select(Message).where(col(Message.id).in_(ids))).scalars()
    return {new_id(message.id): message for message in found}


def answers_to(session: Session, reply_ids: Sequence[int]) -> dict[int, Message]:
    """Return the automatic answers to replies, by the reply."""
    found = session.execute(_ANSWERS_TO, {"replies": [*reply_ids]}).scalars() if reply_ids else ()
    return {new_id(message.answers_reply_id): message for message in found}


_CONTACTS_OF = (
    select(Contact)
    .where(col(Contact.patient_id).in_(bindparam("patients", expanding=True)))
    .order_by(col(Contact.channel).desc(), col(Contact.id))
)
_ANSWERS_TO = (
    select(Message)
    .where(col(Message.answers_reply_id).in_(bindparam("replies", expanding=True)))
    .order_by(col(Message.id))
)
