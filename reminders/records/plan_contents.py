"""Queries about the kept contents of plans."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.records.tables import PlanContent


def has_content(session: Session, content_hash: str) -> bool:
    """Say whether a plan's content is kept already."""
    statement = select(col(PlanContent.content_hash)).where(col(PlanContent.content_hash) == content_hash)
    return session.execute(statement).first() is not None


def keep_content(session: Session, content: PlanContent) -> None:
    """Keep a plan's content, unless it is kept already."""
    if not has_content(session, content.content_hash):
        session.add(content)
        session.flush()


def content_of(session: Session, content_hash: str) -> PlanContent | None:
    """Return the kept content with this hash, None when there is none."""
    return session.get(PlanContent, content_hash)
