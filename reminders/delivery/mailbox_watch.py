"""Fetches mails again and again, and tells staff once when the mailbox can't be read: mails would wait unseen."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from reminders.clock import Clock
from reminders.delivery.tell_staff import TellStaff
from reminders.errors import ReminderError
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_PATIENCE = timedelta(minutes=15)
"""A mail server that is started anew is back by then; an urgent mail may wait so long (common practice, no source)."""

_NOT_READ = english("Patients' e-mails are not read: {why}. Look into the mailbox by hand, and mend it.")


@dataclass(kw_only=True)
class MailboxWatch:
    """Remembers since when one practice's mailbox can't be read."""

    fetch: Callable[[], object]
    """Takes in what is there; a ReminderError says why it could not."""
    tell_staff: TellStaff
    clock: Clock
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
                self.tell_staff("mailbox", urgency="urgent", summary=_NOT_READ.format(why=error))
        else:
            self._failing_since = None
