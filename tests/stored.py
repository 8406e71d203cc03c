"""Builders of what the database holds: an invented practice with one patient, courses, and messages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Interval, func, literal, select, update
from sqlalchemy.orm import Session

from reminders.delivery.incoming import IncomingReply
from reminders.records.bulk import insert_messages
from reminders.records.database import Database
from reminders.records.tables import MESSAGES, Approval, Contact, Enrollment, Message, Patient, Practice
from reminders.records.tables_concerns import Concern

NOON = datetime(2026, 6, 10, 19, 0, tzinfo=UTC)
"""Noon in Los Angeles, where the invented patient lives."""
PHONE = "+12025550143"
APPROVED = "approved content"


def add_course(database: Database, *, courses: int = 1, at: datetime = NOON) -> None:
    """Store the practice `main`, patient 1 with a number and an address, and courses with ids from 1."""
    with database.writing() as session:
        session.add(Practice(id="main", name="Example Practice", created_at=at))
        session.flush()
        session.add(
            Patient(
                id=1,
                practice_id="main",
                first_name="Robin",
                last_name="Invented",
                language="en",
                zone="America/Los_Angeles",
                created_at=at,
            )
        )
        session.flush()
        for channel, address in (("sms", PHONE), ("email", "robin@example.org")):
            session.add(Contact(practice_id="main", patient_id=1, channel=channel, address=address))
        session.add(
            Approval(
                practice_id="main",
                procedure="invented",
                plan_version=1,
                content_hash=APPROVED,
                approved_by="A. Clinician",
                license="invented",
                at=at,
            )
        )
        session.add_all(enrollment(number, at=at) for number in range(1, courses + 1))


def enrollment(number: int, *, at: datetime = NOON, **changes: Any) -> Enrollment:
    """An active course of the invented patient."""
    facts: dict[str, Any] = {
        "id": number,
        "practice_id": "main",
        "patient_id": 1,
        "procedure": "invented",
        "plan_version": 1,
        "content_hash": APPROVED,
        "procedure_on": at.date(),
        "procedure_end": at,
        "facts": {},
        "enrolled_by": "desk",
        "enrolled_at": at,
    }
    return Enrollment(**(facts | changes))


def row(occurrence: int = 1, *, due_at: datetime = NOON, **changes: Any) -> dict[str, Any]:
    """A required message by SMS that says to soak, useful for two hours; a doubt about it is resolved by resending."""
    plain: dict[str, Any] = {
        "practice_id": "main",
        "patient_id": 1,
        "enrollment_id": 1,
        "answers_reply_id": None,
        "kind": "instruction",
        "key": "soak",
        "occurrence": occurrence,
        "text_name": "soak",
        "joined_into": None,
        "channel": "sms",
        "address": PHONE,
        "language": "en",
        "state": "scheduled",
        "planned_at": due_at,
        "send_at": due_at,
        "due_at": due_at,
        "useful_until": due_at + timedelta(hours=2),
        "required": True,
        "importance": 3,
        "in_doubt": "resend",
        "asks": None,
        "subject": None,
        "text": "Soak the toe for ten minutes, then pat it dry.",
        "markdown": None,
        "encoding": "gsm7",
        "segments": 1,
        "reasons": [{"rule": "timing", "text": "invented"}],
        "detail": None,
        "claim_token": None,
        "lease_until": None,
        "handed_at": None,
        "transport": None,
    }
    unknown = changes.keys() - plain.keys()
    if unknown:
        raise TypeError(f"no such column here: {unknown}")
    return plain | changes


def store(database: Database, *rows: dict[str, Any]) -> tuple[int, ...]:
    """Store messages and return their ids in the same order."""
    with database.writing() as session:
        newest = session.execute(select(func.coalesce(func.max(MESSAGES.c.id), 0))).scalar_one()
        insert_messages(session, rows)
        return tuple(
            session.execute(select(MESSAGES.c.id).where(MESSAGES.c.id > newest).order_by(MESSAGES.c.id)).scalars()
        )


def messages(database: Database) -> Sequence[Message]:
    """Every message, by id."""
    with database.reading() as session:
        return session.execute(select(Message).order_by(MESSAGES.c.id)).scalars().all()


def states(database: Database) -> list[str]:
    """The state of every message, by id."""
    return [message.state for message in messages(database)]


def concerns(database: Database) -> Sequence[Concern]:
    """Every concern, in any order."""
    with database.reading() as session:
        return session.execute(select(Concern)).scalars().all()


def change_contact(database: Database, state: str) -> None:
    """Set the state of every address of the patient."""
    with database.writing() as session:
        for contact in session.execute(select(Contact)).scalars():
            contact.state = state


def add_contact(database: Database, patient_id: int, channel: str, address: str) -> None:
    """Give a patient another address."""
    with database.writing() as session:
        session.add(Contact(practice_id="main", patient_id=patient_id, channel=channel, address=address))


def end_leases(database: Database, *, ago: timedelta = timedelta(days=365)) -> None:
    """Let every lease have ended so long ago, however long it was; on PostgreSQL by its clock, else as seen at noon."""
    on_postgresql = database.engine.dialect.name == "postgresql"
    ended_at = func.clock_timestamp() - literal(ago, Interval()) if on_postgresql else NOON - ago
    with database.writing() as session:
        session.connection().execute(update(MESSAGES).where(MESSAGES.c.state == "sending").values(lease_until=ended_at))


def soaks(count: int, *, first: int = 1, **changes: Any) -> Iterable[dict[str, Any]]:
    """Rows of `count` soaks, counted from `first`."""
    return (row(number, **changes) for number in range(first, first + count))


def into(kept: list[IncomingReply]) -> Callable[[Session, Sequence[IncomingReply]], Sequence[object]]:
    """What keeps the replies that an intake gives it in a list."""

    def keep(_session: Session, replies: Sequence[IncomingReply]) -> Sequence[object]:
        kept.extend(replies)
        return replies

    return keep
