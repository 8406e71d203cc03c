"""Knows which messages are not known to have arrived, and which message stands in for one that did not."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, Select, and_, literal_column, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from reminders.records.message_changes import change
from reminders.records.message_states import MessageEvent
from reminders.records.tables import MESSAGES, Message
from reminders.records.tables_desk import DONE_ONCE
from reminders.sentences import english

_AT_ONCE = 200
_MOST_COUNTED = 100
NOTICED = "undelivered "
"""Begins what is noted, with the message's id, when staff or another channel took over."""


def has_undelivered(
    session: Session, practice_id: str, transports: Sequence[str], *, before: datetime, now: datetime
) -> bool:
    """Say whether `undelivered` would find any."""
    statement = _undelivered(practice_id, transports, before=before, now=now).limit(1)
    return session.execute(statement).first() is not None


def undelivered(
    session: Session, practice_id: str, transports: Sequence[str], *, before: datetime, now: datetime
) -> list[Message]:
    """Return messages of courses that these transports took before a moment and that never were told to have arrived.

    Only those still of use, the oldest first, at most a few hundred; what was noticed before is left out. On
    PostgreSQL what another worker has in hand is passed over.
    """
    statement = _undelivered(practice_id, transports, before=before, now=now).order_by(MESSAGES.c.settled_at)
    statement = statement.limit(_AT_ONCE).with_for_update(skip_locked=True, of=Message)
    return list(session.execute(statement).scalars())


def patients_without_word(
    session: Session, practice_id: str, transports: Sequence[str], *, since: datetime, before: datetime
) -> int:
    """Count the patients, up to a hundred, whose messages these transports took in between and told nothing of."""
    where = (*_taken(practice_id, transports, before=before), MESSAGES.c.settled_at > since)
    patients = select(MESSAGES.c.patient_id).where(*where).distinct().limit(_MOST_COUNTED)
    return len(session.execute(patients).all())


def message_afresh(session: Session, message_id: int) -> Message | None:
    """Return a message as it stands now in this transaction; None when there is none."""
    return session.get(Message, message_id, populate_existing=True)


def has_stand_in(session: Session, message_id: int) -> bool:
    """Say whether another message said this one by another channel, or will."""
    other = aliased(Message)
    return session.execute(select(col(other.id)).where(col(other.instead_of_id) == message_id)).first() is not None


def take_back_stand_in(session: Session, message_id: int) -> bool:
    """Cancel what still waits to stand in for a message that arrived after all."""
    where = and_(MESSAGES.c.instead_of_id == message_id, MESSAGES.c.state == "scheduled")
    return (
        change(
            session, MessageEvent.CANCEL, where, detail=english("message {id} arrived after all").format(id=message_id)
        )
        > 0
    )


def _undelivered(practice_id: str, transports: Sequence[str], *, before: datetime, now: datetime) -> Select[Message]:
    noticed = select(DONE_ONCE.c.what).where(
        DONE_ONCE.c.practice_id == MESSAGES.c.practice_id,
        DONE_ONCE.c.what == literal_column(f"'{NOTICED}'") + MESSAGES.c.id.cast(DONE_ONCE.c.what.type),
    )
    return select(Message).where(
        *_taken(practice_id, transports, before=before), MESSAGES.c.useful_until > now, ~noticed.exists()
    )


def _taken(practice_id: str, transports: Sequence[str], *, before: datetime) -> tuple[ColumnElement[bool], ...]:
    # The words of the partial index, so that it can be used.
    tells = or_(*(MESSAGES.c.transport == literal_column(f"'{name}'") for name in ("http", "smpp")))
    return (
        MESSAGES.c.state == literal_column("'sent'"),
        tells,
        MESSAGES.c.transport.in_(transports),
        MESSAGES.c.practice_id == practice_id,
        MESSAGES.c.settled_at <= before,
        MESSAGES.c.kind == "instruction",
    )
