"""Answers one cheap question: whether anything happened to the practice's concerns, and how many wait."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, literal_column, select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables_concerns import Concern, ConcernEvent


@dataclass(frozen=True, kw_only=True)
class Pulse:
    """The state of the list, without any person in it."""

    last_event: int
    """Grows with everything that happens to any concern."""
    open: int
    """Not closed."""
    untaken: int
    newest_pressing: int
    """The highest id among emergencies and urgent ones that nobody took; 0 for none."""


def pulse_of(session: Session, practice_id: str) -> Pulse:
    """Return the state of the list of concerns."""
    untaken = col(Concern.state) == literal_column("'open'")
    pressing = func.max(col(Concern.id)).filter(untaken, col(Concern.urgency) != "routine")
    row = session.execute(
        select(func.count(), func.count().filter(untaken), pressing).where(
            col(Concern.practice_id) == practice_id, col(Concern.state) != literal_column("'closed'")
        )
    ).one()
    last = session.execute(select(func.max(col(ConcernEvent.id)))).scalar()
    return Pulse(last_event=last or 0, open=row[0], untaken=row[1], newest_pressing=row[2] or 0)
