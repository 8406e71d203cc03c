"""Queries about the keys of other programs."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CursorResult, bindparam, func, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables_api import ApiKey


def add_key(session: Session, key: ApiKey) -> None:
    """Add a key; the database refuses a name that the practice has already."""
    session.add(key)
    session.flush()


def key_by_prefix(session: Session, practice_id: str, prefix: str) -> ApiKey | None:
    """Return the practice's key with this prefix, None when there is none; whether it holds, the desk decides."""
    return session.execute(_BY_PREFIX, {"prefix": prefix, "practice": practice_id}).scalar_one_or_none()


def keys_of(session: Session, practice_id: str) -> list[ApiKey]:
    """Return every key of the practice, those that hold no more among them, the oldest first."""
    statement = select(ApiKey).where(col(ApiKey.practice_id) == practice_id).order_by(col(ApiKey.id))
    return list(session.execute(statement).scalars())


def has_key_named(session: Session, practice_id: str, name: str) -> bool:
    """Say whether a key of the practice, one that holds no more among them, has this name."""
    statement = select(col(ApiKey.id)).where(
        col(ApiKey.practice_id) == practice_id, func.lower(col(ApiKey.name)) == name.lower()
    )
    return session.execute(statement.limit(1)).first() is not None


def revoke(session: Session, practice_id: str, name: str, at: datetime) -> bool:
    """Let a key hold no more; False when there is none of this name that holds."""
    changed = session.execute(
        update(ApiKey)
        .where(col(ApiKey.practice_id) == practice_id, col(ApiKey.name) == name, col(ApiKey.revoked_at).is_(None))
        .values(revoked_at=at)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def note_use(session: Session, key_id: int, on: date) -> None:
    """Note the day on which a key was used."""
    earlier = or_(col(ApiKey.last_used_on).is_(None), col(ApiKey.last_used_on) < on)
    session.execute(update(ApiKey).where(col(ApiKey.id) == key_id, earlier).values(last_used_on=on))


# Built once, as every call runs it: to build it costs more than to run it.
_BY_PREFIX = select(ApiKey).where(
    col(ApiKey.prefix) == bindparam("prefix"), col(ApiKey.practice_id) == bindparam("practice")
)
