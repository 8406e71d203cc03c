"""Queries about legal holds."""

from __future__ import annotations

from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables_audit import LEGAL_HOLDS, LegalHold


def hold_of(session: Session, patient_id: int) -> LegalHold | None:
    """Return the hold that a patient is under; None when there is none."""
    return session.get(LegalHold, patient_id)


def holds_in(session: Session, practice_id: str) -> list[LegalHold]:
    """Return the holds of a practice, the oldest first."""
    statement = select(LegalHold).where(col(LegalHold.practice_id) == practice_id)
    return list(session.execute(statement.order_by(col(LegalHold.placed_at))).scalars())


def add_hold(session: Session, **values: Any) -> None:
    """Add a hold with these columns."""
    session.add(LegalHold(**values))
    session.flush()


def remove_hold(session: Session, patient_id: int) -> bool:
    """Remove a hold; False when there was none."""
    return session.connection().execute(delete(LEGAL_HOLDS).where(LEGAL_HOLDS.c.patient_id == patient_id)).rowcount == 1
