"""Keeps the segments of a longer reply until all of them came."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from reminders.records.tables_delivery import REPLY_PARTS


class Segment(NamedTuple):
    """A segment that was kept."""

    id: int
    sender: str
    recipient: str
    reference: int
    total: int
    number: int
    data_coding: int
    shift: str | None
    octets: bytes


def keep_segment(session: Session, segment: dict[str, object], at: datetime) -> tuple[Segment, ...]:
    """Keep a segment and return all there are of its reply, in order; the same twice is kept once.

    Devices count their long messages from 0 to 255 and begin again: an older segment in the same place gives way.
    """
    connection = session.connection()
    if connection.dialect.name == "postgresql":  # two workers, each with a segment, must see each other's
        connection.execute(select(func.pg_advisory_xact_lock(func.hashtext(str(segment["sender"])))))
    names = ("sender", "recipient", "reference", "total", "number")
    same = [REPLY_PARTS.c[name] == segment[name] for name in names]
    connection.execute(delete(REPLY_PARTS).where(*same))
    connection.execute(insert(REPLY_PARTS).values(**segment, received_at=at))
    statement = select(*_COLUMNS).where(*same[:-1]).order_by(REPLY_PARTS.c.number)
    return tuple(map(Segment._make, connection.execute(statement)))


def segments_before(session: Session, moment: datetime) -> tuple[Segment, ...]:
    """Return the segments of replies of which nothing came since a moment, each reply's together and in order."""
    last = REPLY_PARTS.alias()
    fresh = (
        select(last.c.id)
        .where(
            last.c.sender == REPLY_PARTS.c.sender,
            last.c.recipient == REPLY_PARTS.c.recipient,
            last.c.reference == REPLY_PARTS.c.reference,
            last.c.total == REPLY_PARTS.c.total,
            last.c.received_at >= moment,
        )
        .exists()
    )
    order = ("sender", "recipient", "reference", "total", "number")
    statement = select(*_COLUMNS).where(~fresh).order_by(*(REPLY_PARTS.c[name] for name in order))
    return tuple(map(Segment._make, session.connection().execute(statement)))


def forget_segments(session: Session, ids: Collection[int]) -> None:
    """Drop segments whose reply was read."""
    session.connection().execute(delete(REPLY_PARTS).where(REPLY_PARTS.c.id.in_(ids)))


_COLUMNS = tuple(REPLY_PARTS.c[name] for name in Segment._fields)
