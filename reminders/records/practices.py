"""Queries about practices: which of them share this database."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import Practice


def put_practice(session: Session, practice_id: str, name: str, *, at: datetime) -> bool:
    """Add a practice, or give a known one its present name; returns whether it is new."""
    known = session.get(Practice, practice_id)
    if known is not None:
        known.name = name
        return False
    session.add(Practice(id=practice_id, name=name, created_at=at))
    session.flush()
    return True


def practice_ids(session: Session) -> tuple[str, ...]:
    """Return the ids of the practices that share this database."""
    return tuple(session.execute(select(col(Practice.id)).order_by(col(Practice.id))).scalars())
