"""The tables of what the desk does by itself: e-mails kept as they came, and what is done once and not again."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Column, LargeBinary, Table, UniqueConstraint
from sqlmodel import Field, SQLModel

from reminders.records.tables import BigId, Instant


class IncomingEmail(SQLModel, table=True):
    """An e-mail as it came, kept whatever became of it."""

    __tablename__ = "incoming_email"
    # the same mail may be fetched twice, when the program died between keeping it and marking it as read
    __table_args__ = (UniqueConstraint("practice_id", "fingerprint"),)

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    fingerprint: str
    """SHA-256 of the octets, in hexadecimal."""
    raw: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    kind: str
    """person, machine (an automatic answer), bounce, unreadable."""
    reply_id: int | None = Field(default=None, sa_column=Column(BigId))
    received_at: datetime = Field(sa_column=Column(Instant, nullable=False))


class DoneOnce(SQLModel, table=True):
    """Something that a recurring job does once and not again, such as the digest of a day."""

    __tablename__ = "done_once"

    practice_id: str = Field(primary_key=True)
    what: str = Field(primary_key=True)
    at: datetime = Field(sa_column=Column(Instant, nullable=False))


INCOMING_EMAILS: Table = SQLModel.metadata.tables["incoming_email"]
DONE_ONCE: Table = SQLModel.metadata.tables["done_once"]
