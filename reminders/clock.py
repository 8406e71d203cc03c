"""The only place that reads the time of day, and the version of the zone rules it is read with."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib import metadata
from typing import Protocol


class Clock(Protocol):
    """Tells the present instant."""

    def now(self) -> datetime:
        """Return the present instant, aware, in UTC."""


class SystemClock:
    """The host's clock."""

    def now(self) -> datetime:
        """Return the host's present instant in UTC."""
        return datetime.now(UTC)


class VirtualClock:
    """A clock that stands still until it is moved; the demo and the tests play weeks in seconds."""

    def __init__(self, start: datetime) -> None:
        self._now = _in_utc(start)

    def now(self) -> datetime:
        """Return the instant the clock was last moved to."""
        return self._now

    def move_to(self, instant: datetime) -> None:
        """Move to `instant`; a move backwards is a ValueError, as time does not run back."""
        if _in_utc(instant) < self._now:
            raise ValueError(f"the clock stands at {self._now.isoformat()}, later than {instant.isoformat()}")
        self._now = _in_utc(instant)

    def advance(self, by: timedelta) -> None:
        """Move forward by a duration."""
        self.move_to(self._now + by)


class ShiftedClock:
    """The host's clock, set to another instant: time goes on from there, as in a story that was played before."""

    def __init__(self, start: datetime) -> None:
        self._shift = _in_utc(start) - datetime.now(UTC)

    def now(self) -> datetime:
        """Return the instant it shows now."""
        return datetime.now(UTC) + self._shift


def zone_data_version() -> str:
    """Return the version of the zone rules in use, as the tzdata package names it (`2026.6`)."""
    return metadata.version("tzdata")


def _in_utc(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise ValueError("an instant needs a time zone")
    return instant.astimezone(UTC)
