"""The tables of what a person must deal with, and of what happened to it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, CheckConstraint, Column, Index, Integer, text
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  concerns refer to patients
from reminders.records.columns import BigId, id_of, instant, sealed


class Concern(SQLModel, table=True):
    """A reply or a silence that a human must deal with."""

    __table_args__ = (
        # serves the list that stays open all day
        Index(
            "ix_concern_open",
            "practice_id",
            "due_at",
            sqlite_where=text("state <> 'closed'"),
            postgresql_where=text("state <> 'closed'"),
        ),
        # serves the list of what was closed lately
        Index(
            "ix_concern_closed",
            "practice_id",
            "closed_at",
            sqlite_where=text("state = 'closed'"),
            postgresql_where=text("state = 'closed'"),
        ),
        # one trouble opens one concern, not one for every message that met it
        Index(
            "uq_concern_about",
            "practice_id",
            "kind",
            "about",
            unique=True,
            sqlite_where=text("state <> 'closed' AND about IS NOT NULL"),
            postgresql_where=text("state <> 'closed' AND about IS NOT NULL"),
        ),
        # serves the search for concerns that nobody took in time
        Index(
            "ix_concern_notify",
            "practice_id",
            "notify_at",
            sqlite_where=text("state = 'open'"),
            postgresql_where=text("state = 'open'"),
        ),
        CheckConstraint("state IN ('open', 'taken', 'closed')", name="ck_concern_state"),
        CheckConstraint("urgency IN ('emergency', 'urgent', 'routine')", name="ck_concern_urgency"),
        CheckConstraint("(state = 'taken') <= (taken_by IS NOT NULL)", name="ck_concern_taken"),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    patient_id: int | None = id_of("patient.id", nullable=True, index=True)
    enrollment_id: int | None = Field(default=None, sa_column=Column(BigId))
    kind: str
    """reply, task (something staff must do), delivery (a message that could not be sent), wrong_person, silence."""
    about: str | None = None
    """Names a trouble that may come again (`enrollment 12: soak`); at most one concern about it is not closed."""
    urgency: str
    summary: str = sealed("concern.summary")
    signs: list[str] = Field(sa_column=Column(JSON, nullable=False))
    state: str = "open"
    opened_at: datetime = instant()
    due_at: datetime = instant()
    taken_by: str | None = None
    closed_at: datetime | None = instant(nullable=True)
    outcome: str | None = None
    """reached, left_voicemail, sent_to_clinic, sent_to_emergency, not_needed."""
    notify_at: datetime | None = instant(nullable=True)
    """When the next person on the duty list is told while nobody took it; None until that is reckoned."""
    notified_steps: int = Field(default=0, sa_column=Column(Integer, nullable=False, server_default="0"))
    """How many were told since it was opened, raised or opened again."""


class ConcernEvent(SQLModel, table=True):
    """What happened to a concern, who did it and when; lines are only ever added."""

    __tablename__ = "concern_event"

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str
    concern_id: int = id_of("concern.id", index=True)
    action: str
    """opened, reply, raised, escalated, taken, handed_over, given_back, called, note, closed, reopened."""
    by: str
    note: str = sealed("concern_event.note")
    reply_id: int | None = Field(default=None, sa_column=Column(BigId))
    at: datetime = instant()
