"""Knows what a practice has planned, as far as its pace and its cost follow from it."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.records.queue_counts import waiting_in
from reminders.records.tables import MESSAGES

_PATIENTS = SQLModel.metadata.tables["patient"]


class PlannedMessage(NamedTuple):
    """A message that waits."""

    id: int
    enrollment_id: int | None
    key: str
    channel: str
    importance: int
    due_at: datetime
    useful_until: datetime
    segments: int
    zone: str | None
    """The patient's; None of a message to nobody known."""


def planned_messages(session: Session, practice_id: str, *, until: datetime) -> tuple[PlannedMessage, ...]:
    """Return what a practice has scheduled up to a moment, the earliest first; what is overdue as well."""
    columns = (MESSAGES.c[name] for name in PlannedMessage._fields[:-1])
    statement = (
        select(*columns, _PATIENTS.c.zone)
        .select_from(MESSAGES)
        .outerjoin(_PATIENTS, _PATIENTS.c.id == MESSAGES.c.patient_id)
        .where(waiting_in(practice_id), MESSAGES.c.due_at < until)
        .order_by(MESSAGES.c.due_at, MESSAGES.c.id)
    )
    return tuple(map(PlannedMessage._make, session.connection().execute(statement)))
