"""Queries about a database that was put back from an older copy: what may have been sent since it was taken."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import literal_column, null, select
from sqlalchemy.orm import Session

from reminders.records.tables import MESSAGES


class Unsure(NamedTuple):
    """A message of which the copy says that it was not sent yet."""

    id: int
    practice_id: str
    channel: str
    claim_token: str | None
    """Of the worker that had it in hand when the copy was taken."""


def unsure_messages(session: Session, *, due_by: datetime) -> tuple[Unsure, ...]:
    """Return the messages that were in hand or came due by an instant, those of one practice together."""
    due = _DUE.where(MESSAGES.c.due_at <= due_by)
    found = [Unsure._make(row) for each in (_IN_HAND, due) for row in session.connection().execute(each)]
    return tuple(sorted(found, key=lambda each: (each.practice_id, each.id)))


# Each is answered from a partial index; both in one, SQLite would read the whole table, sealed texts and all.
_IN_HAND = select(*(MESSAGES.c[name] for name in Unsure._fields)).where(MESSAGES.c.state == literal_column("'sending'"))
_DUE = select(MESSAGES.c.id, MESSAGES.c.practice_id, MESSAGES.c.channel, null()).where(
    MESSAGES.c.state == literal_column("'scheduled'")
)
