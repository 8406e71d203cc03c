"""Knows how a trouble that may come a thousand times opens one concern."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import insert
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

import reminders.records.tables_concerns  # noqa: F401  it fills the metadata, whoever comes first
from reminders.records.outbox import DueMessage, LapsedMessage
from reminders.records.tables import Message

_CONCERNS = SQLModel.metadata.tables["concern"]
_EVENTS = SQLModel.metadata.tables["concern_event"]


@dataclass(frozen=True, kw_only=True)
class Trouble:
    """Something that staff have to deal with, found by the program itself."""

    practice_id: str
    patient_id: int | None
    enrollment_id: int | None
    kind: str
    about: str
    """Names the trouble; while a concern about it is not closed, no other is opened."""
    urgency: str
    summary: str
    opened_at: datetime
    due_at: datetime


def trouble_of(
    message: DueMessage | LapsedMessage | Message, urgency: str, summary: str, *, now: datetime, due_at: datetime
) -> Trouble:
    """Return the trouble of a message that did not go out, or did not arrive; one for all that happens to it."""
    return Trouble(
        practice_id=message.practice_id,
        patient_id=message.patient_id,
        enrollment_id=message.enrollment_id,
        kind="delivery",
        about=_about(message),
        urgency=urgency,
        summary=summary,
        opened_at=now,
        due_at=due_at,
    )


def _about(message: DueMessage | LapsedMessage | Message) -> str:
    if message.enrollment_id is not None:
        return f"enrollment {message.enrollment_id}: {message.key}"
    if message.answers_reply_id is not None:
        return f"reply {message.answers_reply_id}: {message.key}"
    return f"{message.kind}: {message.key}"


def open_once(session: Session, trouble: Trouble, *, by: str) -> int | None:
    """Open a concern and return its id; None when one about the same trouble is not closed yet."""
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    columns = {name: getattr(trouble, name) for name in trouble.__dataclass_fields__}
    statement = (
        dialect.insert(_CONCERNS)
        .values(**columns, signs=[], state="open")
        .on_conflict_do_nothing()
        .returning(_CONCERNS.c.id)
    )
    concern_id: int | None = connection.execute(statement).scalar()
    if concern_id is not None:
        connection.execute(
            insert(_EVENTS).values(
                practice_id=trouble.practice_id,
                concern_id=concern_id,
                action="opened",
                by=by,
                note=trouble.summary,
                at=trouble.opened_at,
            )
        )
    return concern_id
