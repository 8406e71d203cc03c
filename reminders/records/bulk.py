"""Knows how many new messages go into the database by one statement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from reminders.records.tables import MESSAGES


def insert_messages(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Put messages into the database; none at all is fine. One that is there already takes all back.

    Each row has the same columns; those that may be null can be left out.
    """
    if rows:
        session.connection().execute(_INSERT, [*rows])


def insert_messages_returning_ids(session: Session, rows: Sequence[Mapping[str, Any]]) -> tuple[int, ...]:
    """Put messages into the database and return their ids in the same order; slower than without."""
    if not rows:
        return ()
    return tuple(session.connection().execute(_INSERT_RETURNING, [*rows]).scalars())


_INSERT = insert(MESSAGES).values(attempts=0)
_INSERT_RETURNING = _INSERT.returning(MESSAGES.c.id, sort_by_parameter_order=True)
