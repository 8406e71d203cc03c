"""Knows each course's return visit as calendars hear of it: the state it is in, and which was told before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from reminders.records.courses import practice_of
from reminders.records.message_states import MessageState
from reminders.records.tables import MESSAGES
from reminders.records.tables_desk import VISITS

VISIT_KEY = "visit"
"""The instruction that tells of the visit."""
_WENT_OUT = (MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN)


class VisitState(NamedTuple):
    """A visit as it is now."""

    enrollment_id: int
    starts_at: datetime
    """Of a visit called off, when it would have been."""
    sequence: int
    """0 at first, one more at each change (RFC 5545 section 3.8.7.4)."""
    changed_at: datetime
    is_cancelled: bool


def keep_first_visits(session: Session, practice_id: str, visits: Mapping[int, datetime], *, at: datetime) -> None:
    """Keep the visits, by enrollment, of courses that have none yet."""
    if visits:
        unchanged = {"practice_id": practice_id, "sequence": 0, "changed_at": at, "is_cancelled": False}
        rows = [{"enrollment_id": key, "starts_at": starts_at, **unchanged} for key, starts_at in visits.items()]
        session.connection().execute(insert(VISITS), rows)


def change_visit(session: Session, enrollment_id: int, starts_at: datetime | None, *, at: datetime) -> None:
    """Keep when a course's visit is now; None when there is none (any more). The same as before is no change."""
    connection = session.connection()
    row = connection.execute(select(VISITS).where(VISITS.c.enrollment_id == enrollment_id)).first()
    if row is None:
        if starts_at is not None:
            practice_id = connection.execute(select(practice_of(enrollment_id))).scalar_one()
            keep_first_visits(session, practice_id, {enrollment_id: starts_at}, at=at)
        return
    if starts_at == (None if row.is_cancelled else row.starts_at):
        return
    connection.execute(
        update(VISITS)
        .where(VISITS.c.enrollment_id == enrollment_id)
        .values(
            starts_at=starts_at or row.starts_at,
            sequence=row.sequence + 1,
            changed_at=at,
            is_cancelled=starts_at is None,
        )
    )


def visit_of(session: Session, enrollment_id: int) -> VisitState | None:
    """Return a course's visit as it is now, called off or not; None when none was ever booked."""
    columns = (VISITS.c[name] for name in VisitState._fields)
    row = session.connection().execute(select(*columns).where(VISITS.c.enrollment_id == enrollment_id)).first()
    return VisitState(*row) if row else None


def visits_to_tell(session: Session, messages: Sequence[tuple[int, int]]) -> dict[int, VisitState]:
    """Return by message id the visit that an e-mail's calendar part tells; `messages` are (id, enrollment id).

    Messages that speak of a booked visit carry it. When a calendar was told another state before, every e-mail
    of the course carries the new one, until one went out.
    """
    if not messages:
        return {}
    connection = session.connection()
    courses = {enrollment_id for _, enrollment_id in messages}
    rows = connection.execute(
        select(*(VISITS.c[name] for name in VisitState._fields)).where(VISITS.c.enrollment_id.in_(courses))
    )
    visits = {row.enrollment_id: VisitState(*row) for row in rows}
    if not visits:
        return {}
    columns = ("id", "enrollment_id", "key", "occurrence", "joined_into", "state", "handed_at")
    told = connection.execute(
        select(*(MESSAGES.c[name] for name in columns)).where(
            MESSAGES.c.enrollment_id.in_(visits), MESSAGES.c.channel == "email"
        )
    ).all()
    carrying = {(row.enrollment_id, row.joined_into) for row in told if row.key == VISIT_KEY and row.joined_into}
    speaks = {
        row.id for row in told if row.key == VISIT_KEY or (row.enrollment_id, f"{row.key}:{row.occurrence}") in carrying
    }
    found = {}
    for message_id, enrollment_id in messages:
        visit = visits.get(enrollment_id)
        if visit is None:
            continue
        out = [row for row in told if row.enrollment_id == enrollment_id and row.state in _WENT_OUT]
        is_stale = any(row.id in speaks and row.handed_at < visit.changed_at for row in out) and not any(
            row.handed_at >= visit.changed_at for row in out
        )
        if is_stale or (message_id in speaks and not visit.is_cancelled):
            found[message_id] = visit
    return found
