"""Queries about what patients wrote, and what they were last told or asked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.records.tables import Message, Reply

REACHED = (MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN, MessageState.SENDING)
"""States of a message that the patient has, or may have."""


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
            col(Message.channel) == channel,
            col(Message.kind) == "instruction",
            col(Message.state).in_(REACHED),
            col(Message.send_at) >= since,
            col(Message.send_at) <= until,
        )
        .order_by(col(Message.send_at).desc(), col(Message.id).desc())
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


def answers_since(session: Session, practice_id: str, address: str, *, key: str, since: datetime) -> int:
    """Return how many automatic answers of a kind an address was given since an instant."""
    statement = select(func.count()).where(
        col(Message.practice_id) == practice_id,
        col(Message.address) == address,
        col(Message.kind) == "answer",
        col(Message.key) == key,
        col(Message.send_at) >= since,
    )
    return session.execute(statement).scalar_one()
