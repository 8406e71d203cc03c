"""Queries about which contents of plans a practice approved."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import Approval


def approved_hashes(session: Session, practice_id: str) -> frozenset[str]:
    """Return every content of a plan that was ever approved in the practice."""
    statement = select(col(Approval.content_hash)).where(col(Approval.practice_id) == practice_id)
    return frozenset(session.execute(statement).scalars())


def approval_of_content(session: Session, practice_id: str, content_hash: str) -> Approval | None:
    """Return the first approval of exactly this content, None when nobody approved it."""
    statement = (
        select(Approval)
        .where(col(Approval.practice_id) == practice_id, col(Approval.content_hash) == content_hash)
        .order_by(col(Approval.id))
    )
    return session.execute(statement.limit(1)).scalar_one_or_none()
