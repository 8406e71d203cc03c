"""Queries about what patients wrote, and what they were last told or asked."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import BigInteger, bindparam, func, insert, literal, literal_column, select
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.compiled import Compiled
from reminders.records.message_states import MessageState
from reminders.records.people import new_id
from reminders.records.row_proofs import to_prove
from reminders.records.sealed_types import seals_of
from reminders.records.tables import MESSAGES, REPLIES, Message, Reply

REACHED = (MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN)
"""States of a message that the patient has, or may have."""


class Known(NamedTuple):
    """A reply that was brought before."""

    id: int
    patient_id: int | None
    label: str
    signs: Sequence[str]
    received_at: datetime


class Told(NamedTuple):
    """An instruction that a patient has, or may have."""

    id: int
    patient_id: int
    enrollment_id: int | None
    key: str
    asks: str | None
    send_at: datetime
    settled_at: datetime | None
    """When it was surely, or perhaps, handed over."""

    @classmethod
    def of(cls, message: Message) -> Told:
        """Return it of a message."""
        return cls._make(getattr(message, name) for name in cls._fields)


class Said(NamedTuple):
    """What somebody wrote, and as what it was read."""

    text: str
    label: str


class Answered(NamedTuple):
    """An automatic answer that was given."""

    key: str
    at: datetime


def hold_senders(session: Session, senders: Collection[str]) -> None:
    """Wait until nobody else deals with what these wrote, and keep others waiting until the transaction ends.

    Without it two workers would each find a reply new, or each open a concern. SQLite has one writer anyway. They are
    held in one order, whoever asks, or two such workers would wait for each other.
    """
    connection = session.connection()
    if senders and connection.dialect.name == "postgresql":
        hashes = map(seals_of(connection.dialect).hash, senders)
        numbers = sorted({int.from_bytes(each[:8], signed=True) for each in hashes})  # the server's log may tell them
        each = func.unnest(literal(numbers, ARRAY(BigInteger))).column_valued()
        connection.execute(select(func.pg_advisory_xact_lock(each)))


def hold_patients(session: Session, patient_ids: Collection[int]) -> None:
    """Do the same for patients, who may write on several channels at once; after their senders, whoever asks."""
    hold_senders(session, {f"patient {each}" for each in patient_ids})


def add_reply(session: Session, reply: Reply) -> int:
    """Add a reply, which gets its id; return that."""
    values = {name: getattr(reply, name) for name in _WRITTEN}
    ((reply.id,),) = _ADD.fetch(session.connection(), values | {"sender_key": reply.sender})
    number = new_id(reply.id)
    to_prove(session, "reply", [number])
    return number


def replies_with_refs(session: Session, practice_id: str, channel: str, refs: Collection[str]) -> dict[str, Known]:
    """Return the replies that a gateway delivered under these references before, by reference."""
    if not refs:
        return {}
    values = {"practice": practice_id, "channel": channel, "refs": [*refs]}
    return {ref: Known._make(known) for ref, *known in session.connection().execute(_WITH_REFS, values)}


def reached_messages(
    session: Session, patient_ids: Sequence[int], channel: str, *, since: datetime, until: datetime
) -> list[Message]:
    """Return the instructions that reached patients on a channel within a time, the latest first."""
    values = {"patients": list(patient_ids), "channel": channel, "since": since, "until": until}
    return list(session.execute(_REACHED_MESSAGES, values).scalars())


def told_to(
    session: Session, patient_ids: Collection[int], channel: str, *, since: datetime, until: datetime
) -> list[Told]:
    """Return the same without their words."""
    if not patient_ids:
        return []
    values = {"patients": list(patient_ids), "channel": channel, "since": since, "until": until}
    return list(map(Told._make, session.connection().execute(_TOLD, values)))


def replies_of(session: Session, patient_id: int, *, since: datetime | None = None) -> list[Reply]:
    """Return a patient's replies, oldest first."""
    if since is None:
        return list(session.execute(_REPLIES_OF, {"patient": patient_id}).scalars())
    return list(session.execute(_REPLIES_SINCE, {"patient": patient_id, "since": since}).scalars())


def last_said(session: Session, patient_id: int, *, since: datetime, most: int) -> list[Said]:
    """Return the last `most` replies that a patient wrote in person since an instant, oldest first."""
    values = {"patient": patient_id, "since": since, "most": most}
    return [*map(Said._make, reversed(_LAST_SAID.fetch(session.connection(), values)))]


def replies_by_id(session: Session, ids: Sequence[int]) -> dict[int, Reply]:
    """Return replies by their ids."""
    found = session.execute(_BY_ID, {"ids": [*ids]}).scalars() if ids else ()
    return {new_id(reply.id): reply for reply in found}


def count_same(session: Session, to: Reply, *, since: datetime) -> int:
    """Return how often the sender of a reply wrote exactly these words since an instant, the reply itself included."""
    return sum(text == to.text for (text,) in _TEXTS_FROM.fetch(session.connection(), _from_sender(to, since)))


def answers_since(session: Session, to: Reply, *, since: datetime) -> list[Answered]:
    """Return the automatic answers that were given to the sender of a reply since an instant."""
    return [*map(Answered._make, _ANSWERS_TO.fetch(session.connection(), _from_sender(to, since)))]


def _from_sender(to: Reply, since: datetime) -> dict[str, object]:
    """Give the values by which what one sender wrote is found."""
    return {"practice": to.practice_id, "channel": to.channel, "sender": to.sender, "since": since}


# Statements that every reply runs are built once: to build one costs more than to run it.
_WRITTEN = tuple(name for name in Reply.model_fields if name not in {"id", "sender_key"})
_ADD = Compiled(
    insert(REPLIES).values({name: bindparam(name) for name in (*_WRITTEN, "sender_key")}).returning(REPLIES.c.id)
)
_WITH_REFS = select(REPLIES.c.gateway_ref, *(REPLIES.c[name] for name in Known._fields)).where(
    REPLIES.c.practice_id == bindparam("practice"),
    REPLIES.c.channel == bindparam("channel"),
    REPLIES.c.gateway_ref.in_(bindparam("refs", expanding=True)),
)
_REACHED = (
    MESSAGES.c.patient_id.in_(bindparam("patients", expanding=True)),
    MESSAGES.c.settled_at.is_not(None),  # the index holds no others
    MESSAGES.c.settled_at >= bindparam("since"),
    MESSAGES.c.settled_at <= bindparam("until"),
    MESSAGES.c.channel == bindparam("channel"),
    MESSAGES.c.kind == "instruction",
    MESSAGES.c.state.in_(REACHED),
)
_LATEST_FIRST = (MESSAGES.c.settled_at.desc(), MESSAGES.c.id.desc())
_REACHED_MESSAGES = select(Message).where(*_REACHED).order_by(*_LATEST_FIRST)
_TOLD = select(*(MESSAGES.c[name] for name in Told._fields)).where(*_REACHED).order_by(*_LATEST_FIRST)
_BY_ID = select(Reply).where(col(Reply.id).in_(bindparam("ids", expanding=True)))
_REPLIES_OF = select(Reply).where(col(Reply.patient_id) == bindparam("patient")).order_by(col(Reply.id))
_REPLIES_SINCE = _REPLIES_OF.where(col(Reply.received_at) >= bindparam("since"))
_LAST_SAID = Compiled(
    select(REPLIES.c.text, REPLIES.c.label)
    .where(
        REPLIES.c.patient_id == bindparam("patient"),
        REPLIES.c.received_at >= bindparam("since"),
        REPLIES.c.written_by == literal_column("'person'"),
    )
    .order_by(REPLIES.c.id.desc())
    .limit(bindparam("most"))
)
_FROM = (
    REPLIES.c.practice_id == bindparam("practice"),
    REPLIES.c.channel == bindparam("channel"),
    REPLIES.c.sender_key == bindparam("sender"),
    REPLIES.c.received_at >= bindparam("since"),
)
_TEXTS_FROM = Compiled(select(REPLIES.c.text).where(*_FROM))
_ANSWERS_TO = Compiled(
    select(MESSAGES.c.key, MESSAGES.c.send_at).join(REPLIES, REPLIES.c.id == MESSAGES.c.answers_reply_id).where(*_FROM)
)
