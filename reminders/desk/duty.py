"""Who is on duty at an instant, in the order in which they are told, and how soon the next one is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from reminders.care.timing import instant_of, local_day
from reminders.desk.opening_hours import OpeningHours
from reminders.words import gettext

_ONE_DAY = timedelta(days=1)
_LONGEST_PAUSE = timedelta(hours=2)


@dataclass(frozen=True, kw_only=True)
class Person:
    """Somebody who can be told of a concern."""

    name: str
    phone: str = ""
    """E.164; empty when there is none, as below."""
    email: str = ""


@dataclass(frozen=True, kw_only=True)
class Shift:
    """Who is on duty in some hours."""

    weekdays: frozenset[int] = frozenset()
    """Monday is 0."""
    dates: frozenset[date] = frozenset()
    start_wall: time
    end_wall: time
    """Of the next day when it is not after the start."""
    people: tuple[Person, ...]

    def covers(self, instant: datetime, zone: ZoneInfo) -> bool:
        """Say whether the shift runs at an instant."""
        return any(start <= instant < end for start, end in self._runs(local_day(instant, zone), zone))

    def _runs(self, day: date, zone: ZoneInfo) -> Iterator[tuple[datetime, datetime]]:
        for begins in (day - _ONE_DAY, day):
            if begins in self.dates or begins.weekday() in self.weekdays:
                ends = begins if self.start_wall < self.end_wall else begins + _ONE_DAY
                yield instant_of(begins, self.start_wall, zone), instant_of(ends, self.end_wall, zone)


@dataclass(frozen=True, kw_only=True)
class Duty:
    """The duty list of a practice and its pace."""

    zone: ZoneInfo
    people: tuple[Person, ...] = ()
    shifts: tuple[Shift, ...] = ()
    emergency_step: timedelta = timedelta(minutes=5)
    step: timedelta = timedelta(minutes=15)
    urgent_take: timedelta = timedelta(minutes=30)
    link: str = ""

    def on_duty(self, instant: datetime) -> tuple[Person, ...]:
        """Return who is on duty, first the one to be told first; everybody in hours that no shift covers.

        Of shifts that overlap, the people of all; but one for a date stands in place of those for weekdays. () when
        the practice keeps no duty list.
        """
        running = [shift for shift in self.shifts if shift.covers(instant, self.zone)]
        chosen = [shift for shift in running if shift.dates] or running
        return tuple(dict.fromkeys(person for shift in chosen for person in shift.people)) if chosen else self.people

    def first_step_at(
        self, urgency: str, opened_at: datetime, due_at: datetime, opening: OpeningHours
    ) -> tuple[datetime, str]:
        """Return when the first person is told of a concern that nobody took, and why then.

        The practice sets these times; no public target exists (common practice, no source).
        """
        if urgency == "emergency":
            return opened_at, gettext("an emergency is told at once")
        if urgency == "urgent":
            take_by = opening.after_open_time(opened_at, self.urgent_take)
            begins = opening.next_opening(opened_at)
            # Just before closing half of what is left goes to whoever is told: a call was promised by then.
            halfway = max(begins, begins + (due_at - begins) / 2)
            return min(take_by, halfway) if due_at < take_by else take_by, gettext("nobody took it in time")
        return due_at, gettext("it is overdue")

    def next_step_at(self, urgency: str, told_at: datetime, steps: int, opening: OpeningHours) -> datetime:
        """Return when the next person is told after `steps` were: of an emergency at an even pace until it is taken.

        Of others the pauses double with each round through the list, up to two hours, and what is routine wakes
        nobody: it waits for opening hours.
        """
        if urgency == "emergency":
            return told_at + self.emergency_step
        rounds = (steps - 1) // max(1, len(self.on_duty(told_at)))
        pause = min(self.step * 2 ** min(rounds, 10), max(self.step, _LONGEST_PAUSE))
        return opening.next_opening(told_at + pause) if urgency == "routine" else told_at + pause
