"""Queries that say how the queue stands, cheap enough to be asked every few seconds before any backlog."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, literal_column, select
from sqlalchemy.orm import Session

from reminders.records.tables import MESSAGES

AT_MOST = 10_000
"""Due messages that are counted one by one; where there are more, somebody has to look anyway."""

# The state stands in the statements word for word: a partial index can't be matched with a parameter.
_IS_SCHEDULED = MESSAGES.c.state == literal_column("'scheduled'")
_IS_UNCERTAIN = MESSAGES.c.state == literal_column("'uncertain'")
_CHANNELS = ("sms", "email")
_LEVELS = tuple(range(1, 10))
"""What importance may be."""


@dataclass(frozen=True, kw_only=True)
class QueueCounts:
    """Messages of one practice that wait for the program or for a person."""

    due: Mapping[str, int]
    """By channel; at most `AT_MOST` of each importance."""
    late: Mapping[str, int]
    """Those of them whose moment came before the given instant."""
    uncertain: Mapping[str, int]
    """By transport."""


@dataclass(frozen=True, kw_only=True)
class QueueState:
    """How the queue of one practice stands at one moment."""

    practice: str
    counts: QueueCounts
    transports: Mapping[str, str]
    """Channel → transport."""
    last_beat: datetime | None
    """When any worker last went round."""


def waiting_in(practice_id: str | ColumnElement[str]) -> ColumnElement[bool]:
    """Return the condition that a message of a practice, or of the one that a statement is told, waits for its moment.

    So spelt that the index over what is due serves it, with a range of `due_at` behind it, also in a database that
    knows nothing of its tables' sizes: else every message that there ever was would be read.
    """
    return and_(
        _IS_SCHEDULED,
        MESSAGES.c.practice_id == practice_id,
        MESSAGES.c.channel.in_(_CHANNELS),
        MESSAGES.c.importance.in_(_LEVELS),
    )


def queue_counts(session: Session, practice_id: str, *, now: datetime, late_before: datetime) -> QueueCounts:
    """Count what is due, late and in doubt."""
    due = dict.fromkeys(_CHANNELS, 0)
    late = dict(due)
    for channel in _CHANNELS:
        for level in _LEVELS:
            moments = session.connection().execute(_due(practice_id, channel, level, now)).scalars().all()
            due[channel] += len(moments)
            late[channel] += sum(moment < late_before for moment in moments)
    uncertain = (
        select(MESSAGES.c.transport, func.count())
        .where(_IS_UNCERTAIN, MESSAGES.c.practice_id == practice_id)
        .group_by(MESSAGES.c.transport)
    )
    found = {str(transport): int(count) for transport, count in session.connection().execute(uncertain)}
    return QueueCounts(due=due, late=late, uncertain=found)


def oldest_due(session: Session, practice_id: str, *, before: datetime) -> datetime | None:
    """Return when the longest waiting message of a practice was due; None when none was before that instant."""
    moments = []
    for channel in _CHANNELS:
        for level in _LEVELS:
            first = session.connection().execute(_due(practice_id, channel, level, before, limit=1)).scalar()
            if first is not None:
                moments.append(first)
    return min(moments, default=None)


def _due(practice_id: str, channel: str, level: int, now: datetime, *, limit: int = AT_MOST) -> Any:
    return (
        select(MESSAGES.c.due_at)
        .where(
            _IS_SCHEDULED,
            MESSAGES.c.practice_id == practice_id,
            MESSAGES.c.channel == channel,
            MESSAGES.c.importance == level,
            MESSAGES.c.due_at <= now,
        )
        .order_by(MESSAGES.c.due_at)
        .limit(limit)
    )
