"""Knows, while a batch goes out, whether anybody in it asked for silence since it was claimed."""

from __future__ import annotations

import time
from collections.abc import Sequence

from reminders.records.database import Database
from reminders.records.outbox import anybody_withdrew

_EVERY_SECONDS = 1.0
"""A batch may take a minute; whoever writes STOP meanwhile gets what is on the line just then and nothing more."""


class SecondLook:
    """Looks at the addresses of one batch, at most once a second."""

    def __init__(self, database: Database, message_ids: Sequence[int]) -> None:
        self._database = database
        self._ids = message_ids
        self._next = time.monotonic() + _EVERY_SECONDS

    def finds_silence(self) -> bool:
        """Say whether one of the addresses may not be written to any more; then the batch ends, and is judged anew."""
        if time.monotonic() < self._next:
            return False
        with self._database.reading() as session:
            found = anybody_withdrew(session, self._ids)
        self._next = time.monotonic() + _EVERY_SECONDS
        return found
