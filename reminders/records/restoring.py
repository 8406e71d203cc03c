"""Queries about a database that was put back from an older copy: what may have been sent since it was taken."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import literal_column, or_, select
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
    statement = (
        select(MESSAGES.c.id, MESSAGES.c.practice_id, MESSAGES.c.channel, MESSAGES.c.claim_token)
        .where(
            or_(
                MESSAGES.c.state == literal_column("'sending'"),
                (MESSAGES.c.state == literal_column("'scheduled'")) & (MESSAGES.c.due_at <= due_by),
            )
        )
        .order_by(MESSAGES.c.practice_id, MESSAGES.c.id)
    )
    return tuple(map(Unsure._make, session.connection().execute(statement)))
