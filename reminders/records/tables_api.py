"""The tables of the programming interface: the keys of other programs, and what their calls were answered."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import JSON, Column, ForeignKey, Table, UniqueConstraint
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant
from reminders.records.sealed_types import Sealed


class ApiKey(SQLModel, table=True):
    """What another program shows with each call, and what it may do by that."""

    __tablename__ = "api_key"
    # histories name keys as they name people, so no two are called the same
    __table_args__ = (UniqueConstraint("practice_id", "name"), UniqueConstraint("prefix"))

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    name: str
    """As histories name it."""
    prefix: str
    """The part of the key that is no secret: the row is found by it, and people tell keys apart."""
    secret_hash: str
    """SHA-256 of the secret part, in hexadecimal."""
    scopes: list[str] = Field(sa_column=Column(JSON, nullable=False))
    created_by: str
    created_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    expires_at: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))
    revoked_at: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))
    last_used_on: date | None = None
    """The UTC day of the last call; written once a day."""


class ApiAnswer(SQLModel, table=True):
    """What a call under an idempotency key was answered; stored with the change that it made."""

    __tablename__ = "api_answer"

    api_key_id: int = Field(sa_column=Column(BigId, ForeignKey("api_key.id"), primary_key=True, autoincrement=False))
    idempotency_key: str = Field(primary_key=True)
    practice_id: str
    fingerprint: str
    """SHA-256 of method, address and body, in hexadecimal: the same key with another call is a mistake."""
    status: int = 0
    """The HTTP status; 0 only within the transaction that makes the change."""
    headers: dict[str, str] = Field(sa_column=Column(JSON, nullable=False))
    body: str = Field(default="", sa_column=Column(Sealed("api_answer.body"), nullable=False))
    # serves the purge
    at: datetime = Field(sa_column=Column(Instant, nullable=False, index=True))


API_KEYS: Table = SQLModel.metadata.tables["api_key"]
API_ANSWERS: Table = SQLModel.metadata.tables["api_answer"]
