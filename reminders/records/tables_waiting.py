"""The table of patients whom another system told of, until the front desk enrolls or dismisses them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Table, UniqueConstraint, text
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant
from reminders.records.sealed_types import LookUp, Sealed, SealedJson

_REFERENCE = LookUp("reference")


class WaitingPatient(SQLModel, table=True):
    """One patient and one procedure, as they were told."""

    __tablename__ = "waiting_patient"
    __table_args__ = (
        # told again, it is recognised
        UniqueConstraint("practice_id", "reference_key"),
        CheckConstraint("state IN ('waiting', 'enrolled', 'dismissed')", name="ck_waiting_patient_state"),
        CheckConstraint("(state = 'enrolled') = (enrollment_id IS NOT NULL)", name="ck_waiting_patient_enrolled"),
        # serves the list: grows with what waits, not with what was decided
        Index(
            "ix_waiting_patient",
            "practice_id",
            "told_at",
            sqlite_where=text("state = 'waiting'"),
            postgresql_where=text("state = 'waiting'"),
        ),
    )

    id: int | None = Field(default=None, sa_column=Column(BigId, primary_key=True))
    practice_id: str = Field(foreign_key="practice.id")
    reference: str = Field(sa_column=Column(Sealed("waiting_patient.reference"), nullable=False))
    """What the other system calls it."""
    reference_key: bytes | None = Field(
        default=None, sa_column=Column(_REFERENCE, default=_REFERENCE.filled, nullable=True)
    )
    told: dict[str, str] = Field(sa_column=Column(SealedJson("waiting_patient.told"), nullable=False))
    """By the columns of a list of patients."""
    told_at: datetime = Field(sa_column=Column(Instant, nullable=False))
    state: str = "waiting"
    enrollment_id: int | None = Field(default=None, sa_column=Column(BigId, ForeignKey("enrollment.id"), nullable=True))
    decided_by: str | None = None
    decided_at: datetime | None = Field(default=None, sa_column=Column(Instant, nullable=True))


WAITING: Table = SQLModel.metadata.tables["waiting_patient"]
