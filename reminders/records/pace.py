"""Knows how many messages a queue may still claim now, in a way that holds for all workers on all hosts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import ColumnElement, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.care.pacing import Limit
from reminders.records.outbox import Queue
from reminders.records.tables_delivery import PACES

_ZERO = timedelta(0)


@dataclass(frozen=True, kw_only=True)
class Pace:
    """The limits of a queue, and how it stands with them."""

    queue: Queue
    limits: tuple[Limit, ...]
    slowness: int = 1
    """How many times slower than the limits the queue is, since the other side complained."""
    by_server_clock: bool = True
    """Whether a database server's clock counts, as hosts share no other; not where time is played."""

    def interval_of(self, limit: Limit) -> timedelta:
        """Return how far apart messages are by one limit now."""
        return limit.interval * self.slowness


class Allowance(NamedTuple):
    """What a queue may do now."""

    most: int
    """Messages that may be claimed."""
    wait: timedelta
    """How long until it is worth coming back, when there is none."""


def take_allowance(session: Session, pace: Pace, *, now: datetime, wanted: int) -> Allowance:
    """Return how many of `wanted` messages may be claimed; what it was based on is locked until the transaction ends.

    Needs at least one limit.
    """
    clock = _clock(session, pace, now)
    free_at = _locked(session, pace, clock)
    each = [_allowed(pace, limit, free_at[limit.seconds], clock) for limit in pace.limits]
    return Allowance(min(wanted, *(one.most for one in each)), max(one.wait for one in each))


def spend(session: Session, pace: Pace, count: int, *, now: datetime) -> None:
    """Note that `count` messages were claimed, in the transaction that asked for the allowance."""
    clock = _clock(session, pace, now)
    free_at = _locked(session, pace, clock)
    for limit in pace.limits:
        used_until = _sane(pace, limit, free_at[limit.seconds], clock) + count * pace.interval_of(limit)
        session.connection().execute(
            update(PACES).where(*_row(pace.queue), PACES.c.seconds == limit.seconds).values(free_at=used_until)
        )


def _allowed(pace: Pace, limit: Limit, free_at: datetime, clock: datetime) -> Allowance:
    interval = pace.interval_of(limit)
    used = _sane(pace, limit, free_at, clock) - clock
    most = (limit.burst * interval - used) // interval
    # To come back for every single message would read the backlog as often: half a burst is worth it.
    worth = max(1, limit.burst // 2)
    return Allowance(most, _ZERO if most else used - (limit.burst - worth) * interval)


def _sane(pace: Pace, limit: Limit, free_at: datetime, clock: datetime) -> datetime:
    """Return when the limit is free, as it can be: a clock that was set back must not stop the queue for an hour."""
    return min(max(free_at, clock), clock + limit.burst * pace.interval_of(limit))


def _clock(session: Session, pace: Pace, now: datetime) -> datetime:
    connection = session.connection()
    if connection.dialect.name != "postgresql" or not pace.by_server_clock:
        return now
    found: datetime = connection.execute(select(func.clock_timestamp())).scalar_one()
    return found


def _locked(session: Session, pace: Pace, clock: datetime) -> Mapping[int, datetime]:
    """Return by window when each limit is free, and keep other workers from asking meanwhile."""
    found = _read(session, pace.queue)
    missing = [limit for limit in pace.limits if limit.seconds not in found]
    if not missing:
        return found
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    rows = [{**pace.queue._asdict(), "seconds": limit.seconds, "free_at": clock} for limit in missing]
    connection.execute(dialect.insert(PACES).values(rows).on_conflict_do_nothing())
    return _read(session, pace.queue)


def _read(session: Session, queue: Queue) -> Mapping[int, datetime]:
    statement = select(PACES.c.seconds, PACES.c.free_at).where(*_row(queue)).order_by(PACES.c.seconds)
    rows = session.connection().execute(statement.with_for_update()).all()
    return {row.seconds: row.free_at for row in rows}


def _row(queue: Queue) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    return PACES.c.practice_id == queue.practice_id, PACES.c.channel == queue.channel
