"""Queries about the kept contents of plans."""

from __future__ import annotations

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.records.tables import PlanContent

_CONTENTS = SQLModel.metadata.tables["plan_content"]


def has_content(session: Session, content_hash: str) -> bool:
    """Say whether a plan's content is kept already."""
    return session.connection().execute(_HAS_CONTENT, {"content_hash": content_hash}).first() is not None


def keep_content(session: Session, content: PlanContent) -> None:
    """Keep a plan's content, unless it is kept already."""
    if not has_content(session, content.content_hash):
        session.add(content)
        session.flush()


def content_of(session: Session, content_hash: str) -> PlanContent | None:
    """Return the kept content with this hash, None when there is none."""
    return session.get(PlanContent, content_hash)


_HAS_CONTENT = select(_CONTENTS.c.content_hash).where(_CONTENTS.c.content_hash == bindparam("content_hash"))
"""Built once, as enrolling a list runs it hundreds of times a second."""
