"""The tables of who works here: people with their roles, links that let them in once, sign-ins, forms kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, CheckConstraint, Column, ForeignKey, Index, Integer, UniqueConstraint
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant
from reminders.records.sealed_types import Sealed, SealedJson


class StaffMember(SQLModel, table=True):
    """Somebody who signs in to the pages of staff."""

    __tablename__ = "staff_member"
    __table_args__ = (
        UniqueConstraint("practice_id", "login"),
        # histories name people, so no two are called the same
        UniqueConstraint("practice_id", "name"),
        CheckConstraint("state IN ('invited', 'active', 'closed')", name="ck_staff_member_state"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    login: str
    """In lower case."""
    name: str
    """As histories name them."""
    license: str = ""
    """Of a clinician, as it stands on the register."""
    roles: list[str] = Field(sa_column=Column(JSON, nullable=False))
    state: str = "invited"
    password_hash: str | None = None
    """Argon2id with its parameters and salt (PHC string); None until the invitation was followed."""
    totp_secret: str | None = Field(default=None, sa_column=Column(Sealed("staff_member.totp_secret")))
    """Base32; None when no second factor was set up."""
    totp_step: int = Field(default=0, sa_column=Column(BigId, nullable=False, server_default="0"))
    """The step of the last code that was accepted; none is accepted twice."""
    failures: int = Field(default=0, sa_column=Column(Integer, nullable=False, server_default="0"))
    """Tries in a row that failed."""
    locked_until: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))
    created_at: datetime = Field(sa_column=Column(Instant, nullable=False))


class StaffLink(SQLModel, table=True):
    """A link that lets somebody choose a password, once."""

    __tablename__ = "staff_link"

    token_hash: str = Field(primary_key=True)
    """SHA-256 of what stands in the link, in hexadecimal."""
    practice_id: str
    staff_id: int | None = Field(
        default=None, sa_column=Column(BigId, ForeignKey("staff_member.id"), nullable=True, index=True)
    )
    """None: whoever follows it becomes the first administrator."""
    expires_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    used_at: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))


class StaffSession(SQLModel, table=True):
    """One sign-in of a person in a browser."""

    __tablename__ = "staff_session"
    # serves signing somebody out everywhere, and forgetting sessions long ended
    __table_args__ = (Index("ix_staff_session_staff", "staff_id", "ends_at"),)

    token_hash: str = Field(primary_key=True)
    """SHA-256 of the cookie, in hexadecimal."""
    practice_id: str
    staff_id: int = Field(sa_column=Column(BigId, ForeignKey("staff_member.id"), nullable=False))
    csrf: str
    """What every form of this sign-in carries."""
    started_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    seen_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    ends_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    """At the latest; sooner when signed out."""


class KeptForm(SQLModel, table=True):
    """What somebody had typed when their sign-in ran out; one for each person, the newest."""

    __tablename__ = "kept_form"

    staff_id: int = Field(sa_column=Column(BigId, ForeignKey("staff_member.id"), primary_key=True))
    practice_id: str
    path: str
    """The address that the form was sent to."""
    fields: list[list[str]] = Field(sa_column=Column(SealedJson("kept_form.fields"), nullable=False))
    """Names and values in their order."""
    kept_at: datetime = Field(sa_column=Column(Instant, nullable=False))
