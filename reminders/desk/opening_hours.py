"""When somebody of the practice answers, and until when a concern must be dealt with."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from reminders.care.timing import instant_of, local_day

_DAYS_TO_SEARCH = 60  # longer than any holiday of a practice


@dataclass(frozen=True, kw_only=True)
class OpeningHours:
    """The weekly hours, Monday first, as (open, close) wall times, and the dates on which nobody is there."""

    by_weekday: tuple[tuple[tuple[time, time], ...], ...]
    closed_on: frozenset[date]
    zone: ZoneInfo

    def is_open(self, instant: datetime) -> bool:
        """Say whether somebody is there at an instant."""
        return any(start <= instant < end for start, end in self._intervals(local_day(instant, self.zone), 1))

    def next_opening(self, instant: datetime) -> datetime:
        """Return the instant itself when somebody is there, else when somebody is there next."""
        for start, end in self._intervals(local_day(instant, self.zone), _DAYS_TO_SEARCH):
            if instant < end:
                return max(instant, start)
        return instant

    def closing_today(self, instant: datetime) -> datetime | None:
        """Return when the practice closes for the day, seen from an instant; None when it has, or is closed all day."""
        ends = [end for _, end in self._intervals(local_day(instant, self.zone), 1)]
        return ends[-1] if ends and instant < ends[-1] else None

    def after_open_time(self, instant: datetime, length: timedelta) -> datetime:
        """Return when `length` of open time will have passed since `instant`."""
        left = length
        for start, end in self._intervals(local_day(instant, self.zone), _DAYS_TO_SEARCH):
            begin = max(start, instant)
            if begin >= end:
                continue
            if end - begin >= left:
                return begin + left
            left -= end - begin
        return instant + length

    def closing_of_working_day(self, instant: datetime, days: int) -> datetime:
        """Return when the practice closes on its `days`-th working day after the day of `instant`."""
        today = local_day(instant, self.zone)
        passed = 0
        for offset in range(_DAYS_TO_SEARCH):
            intervals = list(self._intervals(today + timedelta(days=offset), 1))
            if not intervals or (offset == 0 and days == 0 and intervals[-1][1] <= instant):
                continue
            if offset > 0:
                passed += 1
            if passed >= days:
                return intervals[-1][1]
        return instant + timedelta(days=days)

    def _intervals(self, first: date, days: int) -> Iterator[tuple[datetime, datetime]]:
        for offset in range(days):
            day = first + timedelta(days=offset)
            if day not in self.closed_on:
                for opens, closes in sorted(self.by_weekday[day.weekday()]):
                    yield instant_of(day, opens, self.zone), instant_of(day, closes, self.zone)


@dataclass(frozen=True, kw_only=True)
class DueTimes:
    """How soon a concern of each urgency must be dealt with; the practice sets them, no public target exists."""

    emergency: timedelta
    """By the clock, day and night."""
    urgent: timedelta
    """For what came in while the practice was open; never later than it closes that day."""
    urgent_after_opening: timedelta
    """For what came in while it was closed: after it opens next."""
    routine_working_days: int

    def due_at(self, urgency: str, opened_at: datetime, opening: OpeningHours) -> datetime:
        """Return until when a concern opened at an instant must be dealt with."""
        if urgency == "emergency":
            return opened_at + self.emergency
        if urgency == "urgent":
            closes_at = opening.closing_today(opened_at)
            if closes_at is not None and opening.is_open(opened_at):
                return min(opening.after_open_time(opened_at, self.urgent), closes_at)
            return opening.next_opening(opened_at) + self.urgent_after_opening
        return opening.closing_of_working_day(opened_at, self.routine_working_days)
