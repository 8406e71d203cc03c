"""When a patient may not be written to, by the reading of the clock on the patient's own wall.

An interval is `[start, end)`. It belongs to the weekday it starts on and spans midnight when its end is not later
than its start. Whether an instant is quiet is decided by the wall clock's reading alone, so an hour that happens
twice in autumn is quiet twice. Eight to nine o'clock as the widest window: 47 CFR 64.1200(c)(1).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import cached_property, lru_cache

from reminders.care.timing import local_time
from reminders.sentences import english

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DAYS_TO_SEARCH = 9  # a whole week and a day on either side: the pattern repeats weekly
_INTERVAL = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, kw_only=True)
class QuietInterval:
    """Wall times `[start, end)`; through midnight when `end <= start`."""

    start_wall: time
    end_wall: time

    @property
    def spans_midnight(self) -> bool:
        """Whether the interval ends on the day after it began."""
        return self.end_wall <= self.start_wall

    @classmethod
    def parse(cls, text: str) -> QuietInterval:
        """Read `21:00-08:00`; raises ValueError that says what is wrong."""
        match = _INTERVAL.fullmatch(text.strip())
        if not match:
            raise ValueError(english("quiet hours look like 21:00-08:00, not {text!r}").format(text=text))
        start_hour, start_minute, end_hour, end_minute = (int(part) for part in match.groups())
        interval = cls(start_wall=time(start_hour, start_minute), end_wall=time(end_hour, end_minute))
        if interval.start_wall == interval.end_wall:
            raise ValueError(
                english("quiet hours {text!r} begin and end together; write `none` if there are none").format(text=text)
            )
        return interval


@dataclass(frozen=True)
class QuietHours:
    """A weekly pattern: for each weekday, Monday first, the intervals that begin on it."""

    by_weekday: tuple[tuple[QuietInterval, ...], ...]

    @classmethod
    def every_day(cls, *intervals: str) -> QuietHours:
        """Return the same intervals for all seven weekdays; none at all means never quiet."""
        parsed = tuple(QuietInterval.parse(text) for text in intervals)
        return cls((parsed,) * 7)

    @classmethod
    def of_week(cls, every_day: Sequence[str], exceptions: Mapping[str, Sequence[str]]) -> QuietHours:
        """Return `every_day` with other intervals for the weekdays named (`sunday`); raises ValueError."""
        unknown = sorted(set(exceptions) - set(WEEKDAYS))
        if unknown:
            raise ValueError(
                english("{unknown}: not a weekday; use {known}").format(
                    unknown=", ".join(unknown), known=", ".join(WEEKDAYS)
                )
            )
        return cls(
            tuple(tuple(QuietInterval.parse(text) for text in exceptions.get(name, every_day)) for name in WEEKDAYS)
        )

    def is_quiet(self, instant: datetime, zone: tzinfo) -> bool:
        """Say whether the patient's wall clock reads a quiet time at `instant`."""
        return _start_before(self, instant, zone) is not None

    def start_before(self, instant: datetime, zone: tzinfo) -> time | None:
        """Return the wall time at which the quiet hours around `instant` began; None when it is not quiet."""
        return _start_before(self, instant, zone)

    def end_after(self, instant: datetime, zone: tzinfo) -> datetime | None:
        """Return the first instant from `instant` on at which quiet hours end; None if they never do."""
        today = instant.astimezone(zone).date()
        for offset in range(-2, _DAYS_TO_SEARCH):
            day = today + timedelta(days=offset)
            ends = [
                end
                for interval in self.by_weekday[day.weekday()]
                for end in _readings(day + timedelta(days=interval.spans_midnight), interval.end_wall, zone)
                if end >= instant and not self.is_quiet(end, zone)
            ]
            if ends:
                return min(ends)
        return None

    def last_moment_before(self, instant: datetime, zone: tzinfo, margin: timedelta) -> datetime | None:
        """Return the latest instant that is `margin` ahead of a quiet start before `instant`, and not quiet."""
        today = instant.astimezone(zone).date()
        for offset in range(_DAYS_TO_SEARCH):
            day = today - timedelta(days=offset)
            moments = [
                start - margin
                for interval in self.by_weekday[day.weekday()]
                for start in _readings(day, interval.start_wall, zone)
                if start <= instant and not self.is_quiet(start - margin, zone)
            ]
            if moments:
                return max(moments)
        return None

    def __hash__(self) -> int:
        """Return the hash of the pattern, reckoned once."""
        return self._hash

    @cached_property
    def _hash(self) -> int:
        return hash(self.by_weekday)

    @cached_property
    def stretches(self) -> tuple[tuple[tuple[time, time | None, time], ...], ...]:
        """For each weekday what is quiet on it, from and until, and when that began, perhaps the day before."""
        return tuple(
            tuple(_own_part(interval) for interval in self.by_weekday[weekday])
            + tuple(
                (time.min, interval.end_wall, interval.start_wall)
                for interval in self.by_weekday[weekday - 1]
                if interval.spans_midnight
            )
            for weekday in range(7)
        )


@lru_cache(maxsize=16_384)  # the same few instants are asked about again and again
def _start_before(hours: QuietHours, instant: datetime, zone: tzinfo) -> time | None:
    local = local_time(instant, zone)
    wall = local.time()
    for begins, ends, start in hours.stretches[local.weekday()]:
        if begins <= wall and (ends is None or wall < ends):
            return start
    return None


def _own_part(interval: QuietInterval) -> tuple[time, time | None, time]:
    return interval.start_wall, None if interval.spans_midnight else interval.end_wall, interval.start_wall


@lru_cache(maxsize=16_384)  # quiet hours begin and end at the same few moments for everybody
def _readings(day: date, wall: time, zone: tzinfo) -> tuple[datetime, ...]:
    """Return the instants of a wall time: two where it happens twice, or where a gap swallowed it."""
    first = datetime.combine(day, wall, tzinfo=zone).astimezone(UTC)
    second = datetime.combine(day, wall.replace(fold=1), tzinfo=zone).astimezone(UTC)
    return (first,) if first == second else (first, second)
