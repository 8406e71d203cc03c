"""Knows how long to wait after the other side said that we are too fast."""

from __future__ import annotations

import time

FIRST_PAUSE_SECONDS = 0.5
LONGEST_PAUSE_SECONDS = 60.0
LONGEST_WANTED_SECONDS = 600.0
"""Whoever asks for a day's pause is asked again before it is over: messages would become useless by one word."""
PATIENCE_SECONDS = 5.0
"""The longest a hand-over waits by itself; above it, it takes nothing and the messages wait in the schedule."""


class Slowdown:
    """Pauses that double from one complaint to the next and are forgotten when messages are taken again."""

    def __init__(self) -> None:
        """Begin at full pace."""
        self._pause = 0.0
        self._until = 0.0

    def complained(self, wanted_seconds: float | None = None) -> None:
        """Note a complaint; `wanted_seconds` is the pause that the other side asked for, if it did."""
        self._pause = min(max(FIRST_PAUSE_SECONDS, self._pause * 2), LONGEST_PAUSE_SECONDS)
        seconds = self._pause if wanted_seconds is None else min(wanted_seconds, LONGEST_WANTED_SECONDS)
        self._until = max(self._until, time.monotonic() + seconds)

    def taken(self) -> None:
        """Note that a message was taken: half the next pause."""
        self._pause /= 2

    def wait(self) -> bool:
        """Wait until messages may be handed over again; False when that takes longer than a hand-over should."""
        left = self._until - time.monotonic()
        if left > 0:
            time.sleep(min(left, PATIENCE_SECONDS))
        return left <= PATIENCE_SECONDS
