"""Knows how long a worker may still begin hand-overs of what it claimed."""

from __future__ import annotations

import time
from datetime import timedelta

_MARGIN = 0.5
"""Share of the lease in which nothing new is begun, so that the last hand-over ends within it."""


class Stopwatch:
    """Runs from a claim on; counts the time that the machine was asleep, and not what its clock was set by."""

    def __init__(self, lease: timedelta) -> None:
        self._last_start = _seconds() + lease.total_seconds() * _MARGIN

    def may_begin(self) -> bool:
        """Say whether a hand-over that begins now will end within the lease."""
        return _seconds() <= self._last_start


def _seconds() -> float:
    # Linux stops the monotonic clock while it sleeps; a nap of an hour would go unseen.
    return time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()
