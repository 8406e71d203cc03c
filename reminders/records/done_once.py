"""Knows what a recurring job has done already and must not do again."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.records.tables_desk import DONE_ONCE


def is_first_time(session: Session, practice_id: str, what: str, at: datetime) -> bool:
    """Write down that something is done now; False when it was done before. Holds once the transaction commits."""
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = (
        dialect.insert(DONE_ONCE).values(practice_id=practice_id, what=what, at=at).on_conflict_do_nothing()
    ).returning(DONE_ONCE.c.what)
    return connection.execute(statement).first() is not None
