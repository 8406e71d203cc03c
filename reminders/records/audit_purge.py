"""Deletes the oldest entries of the audit trail; the entry that tells of it holds where the rest of the chain begins.

Only a whole beginning goes, and none of what comes after the first entry that must stay: so what is left hangs together
and says itself (`audit_chain.Checker`) that nothing else was taken away. Each deletion and its entry are one
transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.records.purging import Due
from reminders.records.tables_audit import AUDIT_ENTRIES, AUDIT_HEADS, LEGAL_HOLDS

_OF = AUDIT_ENTRIES.c
_PATIENTS = SQLModel.metadata.tables["patient"]


@dataclass(frozen=True, kw_only=True)
class GoneEntries:
    """What was deleted."""

    through: int
    """The number of the last one."""
    hash: str
    """Its hash, which the first one that is left names as the one before it."""
    count: int


def audit_due(session: Session, practice_id: str, before: datetime) -> Due:
    """Return how many entries are over."""
    last = _last_that_may_go(session, practice_id, before)
    row = session.execute(
        select(func.count(), func.min(_OF.at, type_=_OF.at.type), func.max(_OF.at, type_=_OF.at.type)).where(
            _OF.practice_id == practice_id, _OF.sequence <= last
        )
    ).one()
    return Due(*row)


def purge_audit(session: Session, practice_id: str, before: datetime, *, limit: int) -> GoneEntries | None:
    """Delete the oldest entries that are over, at most `limit`; None when there are none.

    The caller has to note what is returned in the same transaction.
    """
    head = select(AUDIT_HEADS).where(AUDIT_HEADS.c.practice_id == practice_id).with_for_update()
    if (
        session.execute(head).first() is None
    ):  # it is locked from here on: two purges at once would tell of one gap each
        return None
    first = session.execute(select(func.min(_OF.sequence)).where(_OF.practice_id == practice_id)).scalar()
    last = _last_that_may_go(session, practice_id, before)
    if first is None or last < first:
        return None
    through = min(last, first + limit - 1)
    hash_there = session.execute(
        select(_OF.hash).where(_OF.practice_id == practice_id, _OF.sequence == through)
    ).scalar_one()
    session.execute(update(AUDIT_HEADS).where(AUDIT_HEADS.c.practice_id == practice_id).values(purged_through=through))
    count = (
        session.connection()
        .execute(delete(AUDIT_ENTRIES).where(_OF.practice_id == practice_id, _OF.sequence <= through))
        .rowcount
    )
    return GoneEntries(through=through, hash=hash_there, count=count)


def _last_that_may_go(session: Session, practice_id: str, before: datetime) -> int:
    """Return the number of the last entry of the beginning that may go; 0 when none may.

    Whatever was noted since a patient came who is under a legal hold stays. So does the newest entry.
    """
    held_since = session.execute(
        select(func.min(_PATIENTS.c.created_at, type_=_PATIENTS.c.created_at.type))
        .join(LEGAL_HOLDS, LEGAL_HOLDS.c.patient_id == _PATIENTS.c.id)
        .where(_PATIENTS.c.practice_id == practice_id)
    ).scalar()
    stays_from = before if held_since is None else min(before, held_since)
    stays: int | None = session.execute(
        select(func.min(_OF.sequence)).where(_OF.practice_id == practice_id, _OF.at >= stays_from)
    ).scalar()
    newest: int | None = session.execute(
        select(AUDIT_HEADS.c.sequence).where(AUDIT_HEADS.c.practice_id == practice_id)
    ).scalar()
    if newest is None:
        return 0
    return min(newest if stays is None else stays, newest) - 1
