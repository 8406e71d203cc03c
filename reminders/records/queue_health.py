"""Knows what the other side makes a queue wait for; all workers read and write the same row."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import datetime

from sqlalchemy import ColumnElement, bindparam, delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.records.outbox import Queue
from reminders.records.tables_delivery import QUEUE_HEALTH


@dataclass(frozen=True, kw_only=True)
class Health:
    """How a queue stands with the other side."""

    slow_steps: int = 0
    slowed_at: datetime | None = None
    resume_at: datetime | None = None
    broken_since: datetime | None = None
    retry_at: datetime | None = None
    probes: int = 0
    put_off_since: datetime | None = None
    put_off: int = 0
    told_at: datetime | None = None

    @property
    def in_vain_since(self) -> datetime | None:
        """Since when nothing was taken that was handed over; None when it is not known to be so."""
        return min((each for each in (self.broken_since, self.put_off_since) if each is not None), default=None)


HEALTHY = Health()


def health_of(session: Session, queue: Queue) -> Health:
    """Return how a queue stands; on PostgreSQL, a row that is there is locked until the transaction ends."""
    connection = session.connection()
    statement = _READ_LOCKING if connection.dialect.name == "postgresql" else _READ
    row = connection.execute(statement, queue._asdict()).mappings().first()
    return HEALTHY if row is None else Health(**row)


def set_health(session: Session, queue: Queue, health: Health) -> None:
    """Write down how a queue stands; nothing is kept of one that is healthy."""
    connection = session.connection()
    if health == HEALTHY:
        connection.execute(_FORGET, queue._asdict())
        return
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    values = asdict(health)
    statement = dialect.insert(QUEUE_HEALTH).values(**queue._asdict(), **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["practice_id", "channel"], set_=values))


def _row() -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    columns = QUEUE_HEALTH.c
    return columns.practice_id == bindparam("practice_id"), columns.channel == bindparam("channel")


_READ = select(*(QUEUE_HEALTH.c[each.name] for each in fields(Health))).where(*_row())
_READ_LOCKING = _READ.with_for_update()
_FORGET = delete(QUEUE_HEALTH).where(*_row())
