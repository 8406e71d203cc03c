"""Queries about what patients wrote, and what they were last told or asked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.records.sealed_types import seals_of
from reminders.records.tables import Message, Reply

REACHED = (MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN)
"""States of a message that the patient has, or may have."""


class Answered(NamedTuple):
    """An automatic answer that was given."""

    key: str
    at: datetime


def hold_sender(session: Session, sender: str) -> None:
    """Wait until nobody else deals with what this sender wrote, and keep others waiting until the transaction ends.

    Without it two workers would each find a reply new, or each open a concern. SQLite has one writer anyway. Who
    holds several senders takes them in the order of their names, or two such workers wait for each other.
    """
    connection = session.connection()
    if connection.dialect.name == "postgresql":
        number = int.from_bytes(seals_of(connection.dialect).hash(sender)[:8], signed=True)
        connection.execute(select(func.pg_advisory_xact_lock(number)))  # the server's log may tell it


def add_reply(session: Session, reply: Reply) -> int:
    """Add a reply and return its id."""
    session.add(reply)
    session.flush()
    return new_id(reply.id)


def reply_with_ref(session: Session, practice_id: str, channel: str, gateway_ref: str) -> Reply | None:
    """Return the reply that a gateway delivered under this reference before, None when it is new."""
    statement = select(Reply).where(
        col(Reply.practice_id) == practice_id, col(Reply.channel) == channel, col(Reply.gateway_ref) == gateway_ref
    )
    return session.execute(statement).scalar_one_or_none()


def reached_messages(
    session: Session, patient_ids: Sequence[int], channel: str, *, since: datetime, until: datetime
) -> list[Message]:
    """Return the instructions that reached patients on a channel within a time, the latest first."""
    statement = (
        select(Message)
        .where(
            col(Message.patient_id).in_(patient_ids),
            col(Message.settled_at).is_not(None),  # the index holds no others
            col(Message.settled_at) >= since,
            col(Message.settled_at) <= until,
            col(Message.channel) == channel,
            col(Message.kind) == "instruction",
            col(Message.state).in_(REACHED),
        )
        .order_by(col(Message.settled_at).desc(), col(Message.id).desc())
    )
    return list(session.execute(statement).scalars())


def replies_of(session: Session, patient_id: int, *, since: datetime | None = None) -> list[Reply]:
    """Return a patient's replies, oldest first."""
    statement = select(Reply).where(col(Reply.patient_id) == patient_id)
    if since is not None:
        statement = statement.where(col(Reply.received_at) >= since)
    return list(session.execute(statement.order_by(col(Reply.id))).scalars())


def replies_by_id(session: Session, ids: Sequence[int]) -> dict[int, Reply]:
    """Return replies by their ids."""
    found = session.execute(select(Reply).where(col(Reply.id).in_(ids))).scalars()
    return {new_id(reply.id): reply for reply in found}


def count_same(session: Session, to: Reply, patient_ids: Sequence[int], *, since: datetime) -> int:
    """Return how often the sender of a reply wrote exactly these words since an instant, the reply itself included.

    `patient_ids` as below.
    """
    texts = session.execute(select(col(Reply.text)).where(*_from_sender(to, patient_ids, since))).scalars()
    return sum(text == to.text for text in texts)


def answers_since(session: Session, to: Reply, patient_ids: Sequence[int], *, since: datetime) -> list[Answered]:
    """Return the automatic answers that were given to the sender of a reply since an instant.

    `patient_ids` are the patients who have the sender's address: their replies are found by an index.
    """
    statement = (
        select(col(Message.key), col(Message.send_at))
        .join(Reply, col(Reply.id) == col(Message.answers_reply_id))
        .where(*_from_sender(to, patient_ids, since))
    )
    return [Answered._make(row) for row in session.execute(statement)]


def _from_sender(to: Reply, patient_ids: Sequence[int], since: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        col(Reply.patient_id).in_(patient_ids) if patient_ids else col(Reply.patient_id).is_(None),
        col(Reply.practice_id) == to.practice_id,
        col(Reply.channel) == to.channel,
        col(Reply.sender_key) == to.sender,
        col(Reply.received_at) >= since,
    )
