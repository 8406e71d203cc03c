"""The concerns as a list shows them, which stays open all day: no more is looked up and opened than it shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.concern_list import told_summary
from reminders.records import concerns
from reminders.records.concerns import ConcernRow

_LATELY = timedelta(days=14)


@dataclass(frozen=True, kw_only=True)
class ConcernInBrief:
    """One concern of a list; its members say the same as those of `ListedConcern`."""

    id: int
    urgency: str
    state: str
    due_at: datetime
    is_overdue: bool
    taken_by: str | None
    closed_at: datetime | None
    outcome: str | None
    patient_id: int | None
    patient: str
    """First and last name; empty when nobody is known under the sender's address."""
    zone: ZoneInfo
    """The patient's, else the practice's."""
    said: str
    """What the patient wrote last; empty when they wrote nothing."""
    told: str
    """The summary in the language of staff."""


def open_in_brief(session: Session, desk: Desk) -> tuple[ConcernInBrief, ...]:
    """Return the concerns that are not closed, most urgent first, then by when they are due."""
    return _in_brief(desk, concerns.open_rows(session, desk.practice_id))


def lately_closed(session: Session, desk: Desk) -> tuple[ConcernInBrief, ...]:
    """Return what was closed within the last two weeks, the latest first, a hundred at most."""
    return _in_brief(desk, concerns.closed_rows(session, desk.practice_id, desk.clock.now() - _LATELY))


def _in_brief(desk: Desk, rows: Sequence[ConcernRow]) -> tuple[ConcernInBrief, ...]:
    now = desk.clock.now()
    return tuple(
        ConcernInBrief(
            id=each.id,
            urgency=each.urgency,
            state=each.state,
            due_at=each.due_at,
            is_overdue=each.state != "closed" and each.due_at < now,
            taken_by=each.taken_by,
            closed_at=each.closed_at,
            outcome=each.outcome,
            patient_id=each.patient_id,
            patient=f"{each.first_name or ''} {each.last_name or ''}".strip(),
            zone=ZoneInfo(each.zone) if each.zone else desk.zone,
            said=each.said or "",
            told=told_summary(each.summary),
        )
        for each in rows
    )
