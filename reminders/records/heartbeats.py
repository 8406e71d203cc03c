"""Knows when a job last went round, so that another process can tell that it no longer does."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.records.tables_operations import HEARTBEATS

DISPATCH = "dispatch"
RECEIPTS = "receipts"
"""A receipt said what became of a message in the end."""


def beat(session: Session, practice_id: str, job: str, at: datetime) -> None:
    """Write down that a job of a practice went round at an instant."""
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(HEARTBEATS).values(practice_id=practice_id, job=job, at=at)
    connection.execute(statement.on_conflict_do_update(index_elements=["practice_id", "job"], set_={"at": at}))


def last_beat(session: Session, practice_id: str, job: str) -> datetime | None:
    """Return when a job last went round; None when it never did."""
    where = (HEARTBEATS.c.practice_id == practice_id, HEARTBEATS.c.job == job)
    found: datetime | None = session.connection().execute(select(HEARTBEATS.c.at).where(*where)).scalar()
    return found
