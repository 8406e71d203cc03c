"""On which days the proof begins a course: an ordinary one, and those around which clocks or calendars misbehave."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from reminders.care.quiet_hours import QuietHours
from reminders.desk.prove.cases import SIMPLEST_DAY, SIMPLEST_ZONE, length_of_day

CHANGING_ZONES = (
    ("America/New_York", 2026, "an hour at 02:00"),
    ("Europe/London", 2026, "an hour at 01:00 UTC"),
    ("Pacific/Auckland", 2026, "an hour, summer in January"),
    ("Australia/Lord_Howe", 2026, "half an hour"),
    ("Africa/Cairo", 2026, "an hour at midnight, so that a day has no 00:00"),
    ("Pacific/Apia", 2011, "a whole day left out, 2011-12-30"),
)
"""Zones whose clocks change in that year (IANA time zone database), and what is particular about them."""

STEADY_DAYS = (
    (date(2026, 1, 15), "Asia/Kolkata"),  # half an hour off, and no change at all
    (date(2026, 7, 15), "America/Phoenix"),  # no change in a country that has them
    (date(2028, 2, 27), SIMPLEST_ZONE),  # a leap day within the first days of the course
    (date(2026, 12, 29), SIMPLEST_ZONE),  # the turn of the year
)


@dataclass(frozen=True, kw_only=True)
class Season:
    """A day to begin on, and by how much clocks change within the first days, in minutes."""

    day: date
    zone: str
    shifts: tuple[int, ...] = (0,)
    """Always holds 0; wall times of elapsed moments move by one of these."""


def seasons(quiet: QuietHours) -> tuple[Season, ...]:
    """Return the days to begin on, an ordinary one first; its whole week when quiet hours differ by weekday."""
    week = 7 if len(set(quiet.by_weekday)) > 1 else 1
    ordinary = [Season(day=SIMPLEST_DAY + timedelta(days=number), zone=SIMPLEST_ZONE) for number in range(week)]
    found = {(each.day, each.zone): each for each in ordinary}
    for zone, year, _ in CHANGING_ZONES:
        for day, shift in _changes(ZoneInfo(zone), year):
            for each in (_day_before(day, zone), day):
                if length_of_day(each, zone) > 0:
                    found[each, zone] = Season(day=each, zone=zone, shifts=(0, shift))
    for day, zone in STEADY_DAYS:
        found[day, zone] = Season(day=day, zone=zone)
    return tuple(found.values())


def _day_before(day: date, zone: str) -> date:
    """Return the day before, or the one before that where the calendar left a day out."""
    before = day - timedelta(days=1)
    return before if length_of_day(before, zone) > 0 else _day_before(before, zone)


def _changes(zone: ZoneInfo, year: int) -> Iterator[tuple[date, int]]:
    """Yield each local day of a year within which the offset changes, and by how many minutes."""
    for number in range(366):
        day = date(year, 1, 1) + timedelta(days=number)
        before, after = (
            datetime.combine(each, time(12), tzinfo=zone).utcoffset() or timedelta(0)
            for each in (day - timedelta(days=1), day)
        )
        if before != after:
            yield day, int((after - before).total_seconds()) // 60
