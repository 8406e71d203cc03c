"""Queries about what calls under an idempotency key were answered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, CursorResult, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.records.tables_api import API_ANSWERS as ANSWERS
from reminders.records.tables_api import API_KEYS


@dataclass(frozen=True, kw_only=True)
class Call:
    """A call under an idempotency key."""

    api_key_id: int
    idempotency_key: str
    fingerprint: str


@dataclass(frozen=True, kw_only=True)
class Answered:
    """What a call was answered."""

    fingerprint: str
    status: int
    headers: dict[str, str]
    body: str


def claim(session: Session, call: Call, at: datetime) -> Answered | None:
    """Claim the idempotency key of a call; return what was answered when it was used before, None when it is new.

    Whoever claims the same key meanwhile waits until this transaction ends: on SQLite as there is one writer, on
    PostgreSQL as the row is there already.
    """
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    fresh = connection.execute(
        dialect.insert(ANSWERS)
        .values(
            api_key_id=call.api_key_id,
            practice_id=select(API_KEYS.c.practice_id).where(API_KEYS.c.id == call.api_key_id).scalar_subquery(),
            idempotency_key=call.idempotency_key,
            fingerprint=call.fingerprint,
            status=0,
            headers={},
            body="",
            at=at,
        )
        .on_conflict_do_nothing()
        .returning(ANSWERS.c.status)
    ).first()
    if fresh is not None:
        return None
    found = connection.execute(
        select(ANSWERS.c.fingerprint, ANSWERS.c.status, ANSWERS.c.headers, ANSWERS.c.body).where(*_same(call))
    ).one()
    return Answered(fingerprint=found.fingerprint, status=found.status, headers=found.headers, body=found.body)


def keep(session: Session, call: Call, *, status: int, headers: dict[str, str], body: str) -> None:
    """Keep the answer to a call that was claimed in this transaction."""
    session.connection().execute(update(ANSWERS).where(*_same(call)).values(status=status, headers=headers, body=body))


def forget_before(session: Session, instant: datetime) -> int:
    """Forget what was answered before an instant; returns how many there were."""
    gone = session.execute(delete(ANSWERS).where(ANSWERS.c.at < instant))
    return gone.rowcount if isinstance(gone, CursorResult) else 0


def _same(call: Call) -> tuple[ColumnElement[bool], ...]:
    return (ANSWERS.c.api_key_id == call.api_key_id, ANSWERS.c.idempotency_key == call.idempotency_key)
