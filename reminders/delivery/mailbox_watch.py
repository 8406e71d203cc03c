"""Fetches mails again and again, and tells staff once when the mailbox can't be read: mails would wait unseen."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from reminders.clock import Clock
from reminders.errors import ReminderError
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_PATIENCE = timedelta(minutes=15)
"""A mail server that is started anew is back by then; an urgent mail may wait so long (common practice, no source)."""


@dataclass(kw_only=True)
class MailboxWatch:
    """Remembers since when one practice's mailbox can't be read."""

    practice_id: str
    fetch: Callable[[], object]
    """Takes in what is there; a ReminderError says why it could not."""
    database: Database
    clock: Clock
    concern_due: Callable[[str, datetime], datetime]
    """When a concern of an urgency, opened at an instant, has to be dealt with."""
    _failing_since: datetime | None = field(default=None, init=False)

    def run(self) -> None:
        """Fetch once; open an urgent concern when that has failed for a quarter of an hour."""
        now = self.clock.now()
        try:
            self.fetch()
        except ReminderError as error:
            self._failing_since = self._failing_since or now
            _LOG.warning("mailbox_not_read", extra={"reason": str(error)})
            if now - self._failing_since >= _PATIENCE:
                self._tell(str(error), now)
        else:
            self._failing_since = None

    def _tell(self, reason: str, now: datetime) -> None:
        trouble = Trouble(
            practice_id=self.practice_id,
            patient_id=None,
            enrollment_id=None,
            kind="delivery",
            about="mailbox",
            urgency="urgent",
            summary=english(
                "Patients' e-mails are not read: {why}. Look into the mailbox by hand, and mend it."
            ).format(why=reason),
            opened_at=now,
            due_at=self.concern_due("urgent", now),
        )
        with self.database.writing() as session:
            open_once(session, trouble, by="delivery")
