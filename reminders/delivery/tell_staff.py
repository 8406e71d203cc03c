"""Tells staff of a fault that is no patient's: a concern, one as long as it is open."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from reminders.clock import Clock
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.words import marked


@dataclass(frozen=True, kw_only=True)
class TellStaff:
    """Tells the staff of one practice."""

    practice_id: str
    database: Callable[[], Database]
    """Gives it; it is opened when there is something to tell."""
    clock: Clock
    concern_due: Callable[[str, datetime], datetime]
    """When a concern of an urgency, opened at an instant, has to be dealt with."""

    def __call__(self, about: str, *, urgency: str, summary: str) -> None:
        """Open a concern, unless one about the same is open."""
        now = self.clock.now()
        trouble = Trouble(
            practice_id=self.practice_id,
            patient_id=None,
            enrollment_id=None,
            kind="delivery",
            about=about,
            urgency=urgency,
            summary=summary,
            opened_at=now,
            due_at=self.concern_due(urgency, now),
        )
        with self.database().writing() as session:
            open_once(session, trouble, by=marked("delivery"))
