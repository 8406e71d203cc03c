"""Knows what somebody was shown within the last hour, so that a list that refreshes itself is noted once an hour."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from datetime import datetime, timedelta

from reminders.desk.trail import Look

_NOTED_AGAIN_AFTER = timedelta(hours=1)
_MOST = 50_000


class ShownLately:
    """In memory, for each sign-in: a restart forgets it, and then everything is noted again."""

    def __init__(self) -> None:
        """Nothing was shown yet."""
        self._at: dict[tuple[str, Look], datetime] = {}
        self._lock = threading.Lock()

    def new(self, sign_in: str, looks: Iterable[Look], now: datetime) -> tuple[Look, ...]:
        """Return those that were not shown to this sign-in within the hour; from now on they were."""
        with self._lock:
            if len(self._at) > _MOST:
                self._at = {key: at for key, at in self._at.items() if now - at < _NOTED_AGAIN_AFTER}
            fresh = tuple(
                each
                for each in dict.fromkeys(looks)
                if now - self._at.get((sign_in, each), now - _NOTED_AGAIN_AFTER) >= _NOTED_AGAIN_AFTER
            )
            self._at.update({(sign_in, each): now for each in fresh})
        return fresh
