"""Knows which patients another system told of, and what became of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.sealed_types import seals_in
from reminders.records.tables_waiting import WAITING, WaitingPatient

_AT_ONCE = 500


def add_waiting(
    session: Session, practice_id: str, told: Mapping[str, Mapping[str, str]], *, at: datetime
) -> tuple[int, ...]:
    """Add what was told, by reference, and return the new ids in order; what was told before is left as it is."""
    references = list(told)
    known: set[bytes] = set()
    seals = seals_in(session)
    for first in range(0, len(references), _AT_ONCE):
        some = references[first : first + _AT_ONCE]
        known.update(
            session.execute(
                select(WAITING.c.reference_key).where(
                    WAITING.c.practice_id == practice_id, WAITING.c.reference_key.in_(some)
                )
            ).scalars()
        )
    rows = [
        {
            "practice_id": practice_id,
            "reference": reference,
            "reference_key": reference,
            "told": dict(told[reference]),
            "told_at": at,
            "state": "waiting",
        }
        for reference in references
        if seals.hash(reference) not in known
    ]
    if not rows:
        return ()
    added = insert(WAITING).returning(WAITING.c.id, sort_by_parameter_order=True)
    return tuple(session.connection().execute(added, rows).scalars())


def waiting_patients(session: Session, practice_id: str, *, limit: int = 500) -> Sequence[WaitingPatient]:
    """Return who waits, the longest first."""
    statement = (
        select(WaitingPatient)
        .where(col(WaitingPatient.practice_id) == practice_id, col(WaitingPatient.state) == "waiting")
        .order_by(col(WaitingPatient.told_at), col(WaitingPatient.id))
        .limit(limit)
    )
    return session.execute(statement).scalars().all()


def count_waiting(session: Session, practice_id: str) -> int:
    """Return how many wait."""
    statement = select(func.count()).where(WAITING.c.practice_id == practice_id, WAITING.c.state == "waiting")
    return int(session.execute(statement).scalar_one())


def waiting_of(session: Session, waiting_id: int) -> WaitingPatient | None:
    """Return one, whatever became of it; None when there is none with this id."""
    return session.get(WaitingPatient, waiting_id)


def decide(session: Session, waiting_id: int, *, by: str, at: datetime, enrollment_id: int | None = None) -> bool:
    """Note that one that waits was enrolled, or dismissed without an enrollment; False when that was decided before."""
    statement = (
        update(WAITING)
        .where(WAITING.c.id == waiting_id, WAITING.c.state == "waiting")
        .values(
            state="dismissed" if enrollment_id is None else "enrolled",
            decided_by=by,
            decided_at=at,
            enrollment_id=enrollment_id,
        )
    )
    return session.connection().execute(statement).rowcount == 1
