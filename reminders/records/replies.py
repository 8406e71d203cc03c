"""Queries about what patients wrote, and what they were last told or asked."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.records.row_proofs import to_prove
from reminders.records.sealed_types import seals_of
from reminders.records.tables import Message, Reply

REACHED = (MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN)
"""States of a message that the patient has, or may have."""


# Statements that every reply runs are built once: to build one costs more than to run it.
_WITH_REF = select(Reply).where(
    col(Reply.practice_id) == bindparam("practice"),
    col(Reply.channel) == bindparam("channel"),
    col(Reply.gateway_ref) == bindparam("ref"),
)
_REACHED_MESSAGES = (
    select(Message)
    .where(
        col(Message.patient_id).in_(bindparam("patients", expanding=True)),
        col(Message.settled_at).is_not(None),  # the index holds no others
        col(Message.settled_at) >= bindparam("since"),
        col(Message.settled_at) <= bindparam("until"),
        col(Message.channel) == bindparam("channel"),
        col(Message.kind) == "instruction",
        col(Message.state).in_(REACHED),
    )
    .order_by(col(Message.settled_at).desc(), col(Message.id).desc())
)
_REPLIES_OF = select(Reply).where(col(Reply.patient_id) == bindparam("patient")).order_by(col(Reply.id))
_REPLIES_SINCE = _REPLIES_OF.where(col(Reply.received_at) >= bindparam("since"))


_SENT_BY = (
    col(Reply.practice_id) == bindparam("practice"),
    col(Reply.channel) == bindparam("channel"),
    col(Reply.sender_key) == bindparam("sender"),
    col(Reply.received_at) >= bindparam("since"),
)
_BY_PATIENTS = (col(Reply.patient_id).in_(bindparam("patients", expanding=True)), *_SENT_BY)
_BY_STRANGER = (col(Reply.patient_id).is_(None), *_SENT_BY)
_TEXTS_OF_PATIENTS = select(col(Reply.text)).where(*_BY_PATIENTS)
_TEXTS_OF_STRANGER = select(col(Reply.text)).where(*_BY_STRANGER)
_ANSWERS = select(col(Message.key), col(Message.send_at)).join(Reply, col(Reply.id) == col(Message.answers_reply_id))
_ANSWERS_TO_PATIENTS = _ANSWERS.where(*_BY_PATIENTS)
_ANSWERS_TO_STRANGER = _ANSWERS.where(*_BY_STRANGER)


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
    number = new_id(reply.id)
    to_prove(session, "reply", [number])
    return number


def reply_with_ref(session: Session, practice_id: str, channel: str, gateway_ref: str) -> Reply | None:
    """Return the reply that a gateway delivered under this reference before, None when it is new."""
    values = {"practice": practice_id, "channel": channel, "ref": gateway_ref}
    return session.execute(_WITH_REF, values).scalar_one_or_none()


def reached_messages(
    session: Session, patient_ids: Sequence[int], channel: str, *, since: datetime, until: datetime
) -> list[Message]:
    """Return the instructions that reached patients on a channel within a time, the latest first."""
    values = {"patients": list(patient_ids), "channel": channel, "since": since, "until": until}
    return list(session.execute(_REACHED_MESSAGES, values).scalars())


def replies_of(session: Session, patient_id: int, *, since: datetime | None = None) -> list[Reply]:
    """Return a patient's replies, oldest first."""
    if since is None:
        return list(session.execute(_REPLIES_OF, {"patient": patient_id}).scalars())
    return list(session.execute(_REPLIES_SINCE, {"patient": patient_id, "since": since}).scalars())


def replies_by_id(session: Session, ids: Sequence[int]) -> dict[int, Reply]:
    """Return replies by their ids."""
    found = session.execute(select(Reply).where(col(Reply.id).in_(ids))).scalars()
    return {new_id(reply.id): reply for reply in found}


def count_same(session: Session, to: Reply, patient_ids: Sequence[int], *, since: datetime) -> int:
    """Return how often the sender of a reply wrote exactly these words since an instant, the reply itself included.

    `patient_ids` as below.
    """
    statement = _TEXTS_OF_PATIENTS if patient_ids else _TEXTS_OF_STRANGER
    texts = session.execute(statement, _from_sender(to, patient_ids, since)).scalars()
    return sum(text == to.text for text in texts)


def answers_since(session: Session, to: Reply, patient_ids: Sequence[int], *, since: datetime) -> list[Answered]:
    """Return the automatic answers that were given to the sender of a reply since an instant.

    `patient_ids` are the patients who have the sender's address: their replies are found by an index.
    """
    statement = _ANSWERS_TO_PATIENTS if patient_ids else _ANSWERS_TO_STRANGER
    return [Answered._make(row) for row in session.execute(statement, _from_sender(to, patient_ids, since))]


def _from_sender(to: Reply, patient_ids: Sequence[int], since: datetime) -> dict[str, object]:
    """Give the values by which what one sender wrote is found."""
    found = {"practice": to.practice_id, "channel": to.channel, "sender": to.sender, "since": since}
    return found | {"patients": list(patient_ids)} if patient_ids else found
