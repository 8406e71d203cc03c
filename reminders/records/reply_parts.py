"""Keeps the segments of a longer reply until all of them came."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import delete, insert, select, update
from sqlalchemy.orm import Session

from reminders.records.replies import hold_senders
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


def keep_segment(session: Session, practice_id: str, segment: dict[str, object], at: datetime) -> tuple[Segment, ...]:
    """Keep a segment that came to a practice and return all of its reply, in order; () for one that was read before.

    The same twice is kept once. Devices count their long messages from 0 to 255 and begin again: segments of an
    older message give way to one with another text in the same place.
    """
    hold_senders(session, [str(segment["sender"])])  # two workers, each with a segment, must see each other's
    connection = session.connection()
    names = {"sender_key": "sender", "recipient": "recipient", "reference": "reference", "total": "total"}
    of_reply = [REPLY_PARTS.c.practice_id == practice_id]
    of_reply += [REPLY_PARTS.c[column] == segment[name] for column, name in names.items()]
    known = connection.execute(
        select(REPLY_PARTS.c.octets, REPLY_PARTS.c.was_read).where(*of_reply, REPLY_PARTS.c.number == segment["number"])
    ).first()
    if known is not None and known.octets != segment["octets"]:
        connection.execute(delete(REPLY_PARTS).where(*of_reply))
        known = None
    if known is None:
        connection.execute(
            insert(REPLY_PARTS).values(**segment, practice_id=practice_id, received_at=at, was_read=False)
        )
    statement = select(*_COLUMNS).where(*of_reply, REPLY_PARTS.c.was_read.is_(False)).order_by(REPLY_PARTS.c.number)
    return tuple(map(Segment._make, connection.execute(statement)))


def segments_before(session: Session, practice_id: str, moment: datetime) -> tuple[Segment, ...]:
    """Return the segments of a practice's replies of which nothing came since a moment; each reply's in order."""
    last = REPLY_PARTS.alias()
    fresh = (
        select(last.c.id)
        .where(
            last.c.practice_id == practice_id,
            last.c.sender_key == REPLY_PARTS.c.sender_key,
            last.c.recipient == REPLY_PARTS.c.recipient,
            last.c.reference == REPLY_PARTS.c.reference,
            last.c.total == REPLY_PARTS.c.total,
            last.c.received_at >= moment,
        )
        .exists()
    )
    order = ("sender_key", "recipient", "reference", "total", "number")
    statement = (
        select(*_COLUMNS)
        .where(REPLY_PARTS.c.practice_id == practice_id, ~fresh, REPLY_PARTS.c.was_read.is_(False))
        .order_by(*(REPLY_PARTS.c[name] for name in order))
    )
    return tuple(map(Segment._make, session.connection().execute(statement)))


def note_read(session: Session, ids: Collection[int]) -> None:
    """Note that a reply's segments were read."""
    statement = update(REPLY_PARTS).where(REPLY_PARTS.c.id.in_(ids)).values(was_read=True)
    session.connection().execute(statement)


def forget_read_before(session: Session, practice_id: str, moment: datetime) -> None:
    """Drop a practice's segments that were read and came before a moment."""
    old = (REPLY_PARTS.c.was_read.is_(True), REPLY_PARTS.c.received_at < moment)
    statement = delete(REPLY_PARTS).where(REPLY_PARTS.c.practice_id == practice_id, *old)
    session.connection().execute(statement)


_COLUMNS = tuple(REPLY_PARTS.c[name] for name in Segment._fields)
