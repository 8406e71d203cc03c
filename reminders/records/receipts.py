"""Knows which message a receipt is about and whether all its segments arrived; keeps receipts that came too early."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import Select, delete, exists, insert, or_, select, update
from sqlalchemy.orm import Session

from reminders.records.message_states import MessageState
from reminders.records.tables import MESSAGES, Message
from reminders.records.tables_delivery import EARLY_RECEIPTS, MESSAGE_PARTS


@dataclass(frozen=True, kw_only=True)
class Found:
    """The message that a receipt is about."""

    message_id: int
    state: MessageState
    part: int | None
    """The segment; None when the message went out as one."""
    whole: str | None


@dataclass(frozen=True, kw_only=True)
class Early:
    """A receipt whose message was not known when it came."""

    id: int
    transport: str
    ref: str | None
    key: str | None
    arrival: str
    detail: str
    bad_address: bool
    received_at: datetime


def message_by_ref(session: Session, practice_id: str, transport: str, ref: str) -> Found | None:
    """Return a practice's message, or the segment of one, that a transport accepted under a reference; the latest.

    Another practice's gateway may have given the same one, and message centres begin to count again after a while. On
    PostgreSQL the message is locked, so that receipts of two segments, taken in by two workers, see each other.
    """
    connection = session.connection()
    whole = connection.execute(
        select(MESSAGES.c.id, MESSAGES.c.state)
        .where(
            MESSAGES.c.transport_ref == ref, MESSAGES.c.transport == transport, MESSAGES.c.practice_id == practice_id
        )
        .order_by(MESSAGES.c.handed_at.desc(), MESSAGES.c.id.desc())
        .limit(1)
        .with_for_update(of=MESSAGES)
    ).first()
    if whole is not None:
        return Found(message_id=whole.id, state=MessageState(whole.state), part=None, whole=None)
    part = connection.execute(
        select(MESSAGE_PARTS.c.id, MESSAGE_PARTS.c.whole, MESSAGES.c.id.label("message_id"), MESSAGES.c.state)
        .join_from(MESSAGE_PARTS, MESSAGES, MESSAGES.c.id == MESSAGE_PARTS.c.message_id)
        .where(
            MESSAGE_PARTS.c.ref == ref,
            MESSAGE_PARTS.c.transport == transport,
            MESSAGE_PARTS.c.practice_id == practice_id,
        )
        .order_by(MESSAGE_PARTS.c.id.desc())
        .limit(1)
        .with_for_update(of=MESSAGES)
    ).first()
    if part is None:
        return None
    return Found(message_id=part.message_id, state=MessageState(part.state), part=part.id, whole=part.whole)


def message_by_id(session: Session, message_id: int) -> Found | None:
    """Return a message that a receipt names by our own key; None when there is none."""
    statement = (
        select(MESSAGES.c.state)
        .where(MESSAGES.c.id == message_id, MESSAGES.c.handed_at.is_not(None))
        .with_for_update()  # else a worker could claim it once more just now, and the receipt would be lost
    )
    state = session.connection().execute(statement).scalar()
    return Found(message_id=message_id, state=MessageState(state), part=None, whole=None) if state else None


def message_row(session: Session, message_id: int) -> Message | None:
    """Return a message by its id; None when it was purged meanwhile."""
    return session.get(Message, message_id)


def note_delay(session: Session, message_id: int, detail: str) -> bool:
    """Note that a message that was accepted did not arrive yet; False when something final is known of it."""
    statement = (
        update(MESSAGES)
        .where(MESSAGES.c.id == message_id, MESSAGES.c.state == MessageState.SENT.value)
        .values(detail=detail)
    )
    return session.connection().execute(statement).rowcount == 1


def note_part(session: Session, part_id: int, arrival: str) -> None:
    """Note what became of a segment; what is final stays, but that a late "delivered" beats "failed"."""
    overruled = ("underway", "failed") if arrival == "delivered" else ("underway",)
    session.connection().execute(
        update(MESSAGE_PARTS)
        .where(MESSAGE_PARTS.c.id == part_id, MESSAGE_PARTS.c.arrival.in_(overruled))
        .values(arrival=arrival)
    )


def part_arrivals(session: Session, message_id: int, whole: str) -> tuple[str, ...]:
    """Return what became of every segment of one hand-over, in order."""
    statement = (
        select(MESSAGE_PARTS.c.arrival)
        .where(MESSAGE_PARTS.c.message_id == message_id, MESSAGE_PARTS.c.whole == whole)
        .order_by(MESSAGE_PARTS.c.id)
    )
    return tuple(session.connection().execute(statement).scalars())


def keep_early(session: Session, early: Sequence[dict[str, object]]) -> None:
    """Keep receipts whose message is not known yet."""
    if early:
        session.connection().execute(insert(EARLY_RECEIPTS), [*early])


def early_with_message(session: Session, practice_id: str, *, limit: int) -> tuple[Early, ...]:
    """Return a practice's receipts that came too early and whose message is known by their reference now."""
    early = EARLY_RECEIPTS.c
    known = (
        exists().where(
            table.c[ref] == early.ref, table.c.transport == early.transport, table.c.practice_id == early.practice_id
        )
        for table, ref in ((MESSAGES, "transport_ref"), (MESSAGE_PARTS, "ref"))
    )
    statement = _EARLY.where(early.practice_id == practice_id, or_(*known)).order_by(early.id).limit(limit)
    return _early(session, statement)


def early_with_key(session: Session, practice_id: str, *, limit: int) -> tuple[Early, ...]:
    """Return a practice's receipts that came too early and name a message by our own key."""
    early = EARLY_RECEIPTS.c
    statement = _EARLY.where(early.practice_id == practice_id, early.key.is_not(None))
    return _early(session, statement.order_by(early.id).limit(limit))


def forget_early(session: Session, ids: Collection[int]) -> None:
    """Drop receipts that were applied."""
    if ids:
        session.connection().execute(delete(EARLY_RECEIPTS).where(EARLY_RECEIPTS.c.id.in_(ids)))


def forget_early_before(session: Session, practice_id: str, moment: datetime) -> int:
    """Drop a practice's receipts that came before a moment and whose message never showed up; return how many."""
    old = (EARLY_RECEIPTS.c.practice_id == practice_id, EARLY_RECEIPTS.c.received_at < moment)
    return session.connection().execute(delete(EARLY_RECEIPTS).where(*old)).rowcount


def _early(session: Session, statement: Select[Any]) -> tuple[Early, ...]:
    return tuple(Early(**row) for row in session.connection().execute(statement).mappings())


_EARLY = select(*(EARLY_RECEIPTS.c[each.name] for each in fields(Early)))
