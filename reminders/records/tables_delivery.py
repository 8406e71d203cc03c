"""The tables beside the messages: what came in and is not whole yet, paces, and links in trouble."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Integer, Table, UniqueConstraint
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant
from reminders.records.sealed_types import LookUp, Sealed, SealedBytes

_ARRIVALS = "arrival IN ('underway', 'delivered', 'failed')"
_BY_SENDER = LookUp("sender")


class MessagePart(SQLModel, table=True):
    """One segment of a message that was handed over in several, each with a receipt of its own."""

    __tablename__ = "message_part"
    __table_args__ = (
        # serves the receipt, which names a segment by the gateway's reference
        Index("ix_message_part_ref", "ref", "transport"),
        # serves the question whether the other segments arrived
        Index("ix_message_part_whole", "message_id", "whole"),
        CheckConstraint(_ARRIVALS, name="ck_message_part_arrival"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    message_id: int = Field(sa_column=Column(BigId, ForeignKey("message.id", ondelete="CASCADE"), nullable=False))
    whole: str
    """The references of all segments of the same hand-over; another try has others."""
    transport: str
    ref: str
    arrival: str = "underway"


class EarlyReceipt(SQLModel, table=True):
    """A receipt about a message that nobody knows by that name yet: its hand-over is not settled, or never was ours."""

    __tablename__ = "early_receipt"
    __table_args__ = (
        # serves the search for old ones
        Index("ix_early_receipt_received_at", "received_at"),
        CheckConstraint("ref IS NOT NULL OR key IS NOT NULL", name="ck_early_receipt_named"),
        CheckConstraint(_ARRIVALS, name="ck_early_receipt_arrival"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    """Whose gateway sent it."""
    transport: str
    ref: str | None = None
    key: str | None = None
    arrival: str
    detail: str = Field(sa_column=Column(Sealed("early_receipt.detail"), nullable=False))
    bad_address: bool
    received_at: datetime = Field(sa_column=Column(Instant, nullable=False))


class ReplyPart(SQLModel, table=True):
    """A segment of a longer reply; kept for a while after it was read, since a centre may offer it again."""

    __tablename__ = "reply_part"
    __table_args__ = (
        UniqueConstraint(
            "practice_id", "sender_key", "recipient", "reference", "total", "number", name="uq_reply_part_segment"
        ),
        CheckConstraint("number BETWEEN 1 AND total", name="ck_reply_part_number"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    sender: str = Field(sa_column=Column(Sealed("reply_part.sender"), nullable=False))
    sender_key: bytes | None = Field(default=None, sa_column=Column(_BY_SENDER, default=_BY_SENDER.filled))
    recipient: str
    reference: int
    total: int
    number: int
    data_coding: int
    shift: str | None = None
    octets: bytes = Field(sa_column=Column(SealedBytes("reply_part.octets"), nullable=False))
    received_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    was_read: bool = False
    """Whether all segments came, or none came any more, and the reply was taken in."""


class Pace(SQLModel, table=True):
    """How far one limit of a queue is used up; every worker on every host counts on it."""

    practice_id: str = Field(primary_key=True)
    channel: str = Field(primary_key=True)
    seconds: int = Field(primary_key=True)
    """The window of the limit."""
    free_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    """When the limit is wholly free again."""


class QueueHealth(SQLModel, table=True):
    """What the other side makes a queue wait for; no row while nothing does."""

    __tablename__ = "queue_health"

    practice_id: str = Field(primary_key=True)
    channel: str = Field(primary_key=True)
    slow_steps: int = 0
    """How often the pace was halved since the other side complained."""
    slowed_at: datetime | None = Field(default=None, sa_column=Column(Instant))
    resume_at: datetime | None = Field(default=None, sa_column=Column(Instant))
    """Until then nothing goes out, as the other side complained."""
    broken_since: datetime | None = Field(default=None, sa_column=Column(Instant))
    """Since when the other side can't be reached; it is only tried now and then."""
    retry_at: datetime | None = Field(default=None, sa_column=Column(Instant))
    probes: int = 0
    """How often it was tried since then, in vain."""
    put_off_since: datetime | None = Field(default=None, sa_column=Column(Instant))
    """Since when the other side answers, and takes nothing."""
    put_off: int = Field(default=0, sa_column=Column(Integer, nullable=False, server_default="0"))
    """How many messages it put off since then."""
    told_at: datetime | None = Field(default=None, sa_column=Column(Instant))
    """When staff were told."""


MESSAGE_PARTS: Table = SQLModel.metadata.tables["message_part"]
EARLY_RECEIPTS: Table = SQLModel.metadata.tables["early_receipt"]
REPLY_PARTS: Table = SQLModel.metadata.tables["reply_part"]
PACES: Table = SQLModel.metadata.tables["pace"]
QUEUE_HEALTH: Table = SQLModel.metadata.tables["queue_health"]
