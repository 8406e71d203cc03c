"""Queries about the pages that patients open by a link: which link counts, and how often its code was mistyped."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import func, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from reminders.records.courses import practice_of
from reminders.records.message_states import MessageState
from reminders.records.tables import MESSAGES
from reminders.records.tables_desk import PATIENT_PAGES


class PageState(NamedTuple):
    """What is kept about a page."""

    issue: int = 1
    failures: int = 0
    locked_until: datetime | None = None
    language: str | None = None


def page_state(session: Session, enrollment_id: int) -> PageState:
    """Return what is kept about an enrollment's page; of one that nobody used yet, what holds at first."""
    columns = (PATIENT_PAGES.c[name] for name in PageState._fields)
    row = session.connection().execute(select(*columns).where(PATIENT_PAGES.c.enrollment_id == enrollment_id)).first()
    return PageState(*row) if row else PageState()


def set_page(session: Session, enrollment_id: int, **values: Any) -> None:
    """Keep something about a page."""
    _begin(session, enrollment_id)
    statement = update(PATIENT_PAGES).where(PATIENT_PAGES.c.enrollment_id == enrollment_id).values(**values)
    session.connection().execute(statement)


def count_try(session: Session, enrollment_id: int, *, now: datetime, most: int) -> int | None:
    """Count one more try of a code that may fail, and return how many there are in a row now.

    None when no more is allowed, for now or for good: `most` were made, or the page rests.
    """
    _begin(session, enrollment_id)
    pages = PATIENT_PAGES.c
    statement = (
        update(PATIENT_PAGES)
        .where(
            pages.enrollment_id == enrollment_id,
            pages.failures < most,
            or_(pages.locked_until.is_(None), pages.locked_until <= now),
        )
        .values(failures=pages.failures + 1)
        .returning(pages.failures)
    )
    return session.connection().execute(statement).scalar_one_or_none()


def issue_again(session: Session, enrollment_id: int) -> None:
    """Make every link and code given out so far void."""
    _begin(session, enrollment_id)
    statement = (
        update(PATIENT_PAGES)
        .where(PATIENT_PAGES.c.enrollment_id == enrollment_id)
        .values(issue=PATIENT_PAGES.c.issue + 1, failures=0, locked_until=None)
    )
    session.connection().execute(statement)


def last_moment(session: Session, enrollment_id: int) -> datetime | None:
    """Return when the last message of a course goes or went out; None when none does."""
    statement = select(func.max(MESSAGES.c.send_at)).where(
        MESSAGES.c.enrollment_id == enrollment_id, MESSAGES.c.state != MessageState.CANCELLED.value
    )
    found: datetime | None = session.connection().execute(statement).scalar_one()
    return found


def _begin(session: Session, enrollment_id: int) -> None:
    connection = session.connection()
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    values = {"enrollment_id": enrollment_id, "practice_id": practice_of(enrollment_id), "issue": 1, "failures": 0}
    connection.execute(dialect.insert(PATIENT_PAGES).values(**values).on_conflict_do_nothing())
