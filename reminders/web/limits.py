"""Counts how often somebody asks within a time, and says when it is too often."""

from __future__ import annotations

import threading
from collections import deque
from datetime import datetime, timedelta

_MOST_CALLERS = 10_000


class Limiter:
    """A sliding window for each caller, in memory: a restart forgets it, so lasting locks live in the database."""

    def __init__(self, *, most: int, within: timedelta) -> None:
        """Allow `most` tries `within` any such time."""
        self._most = most
        self._within = within
        self._tries: dict[str, deque[datetime]] = {}
        self._lock = threading.Lock()

    def allows(self, caller: str, now: datetime) -> bool:
        """Count one more try; False when it is one too many, and then it is not counted."""
        return not self.wait(caller, now)

    def wait(self, caller: str, now: datetime) -> timedelta:
        """Count one more try; when it is one too many it is not counted, and how long to wait is returned."""
        with self._lock:
            if len(self._tries) >= _MOST_CALLERS:
                self._forget(now)
            tries = self._tries.setdefault(caller, deque())
            while tries and now - tries[0] >= self._within:
                tries.popleft()
            if len(tries) >= self._most:
                return tries[0] + self._within - now
            tries.append(now)
            return timedelta(0)

    def _forget(self, now: datetime) -> None:
        for caller, tries in list(self._tries.items()):
            if not tries or now - tries[-1] >= self._within:
                del self._tries[caller]
