"""Knows how a visit reads in a patient's calendar, and how it is moved or called off there (RFC 5545, 5546)."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from icalendar import (
    Calendar,
    Component,
    Event,
    Timezone,
    TimezoneDaylight,
    TimezoneStandard,
    vCalAddress,
)

from reminders.errors import InputError
from reminders.sentences import english


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One state of one visit.

    Calendars are shown on shared screens: `summary` and `location` name neither the procedure, nor a finding,
    nor a part of the body.
    """

    uid: str
    """The visit's name in every calendar, the same from first notice to cancellation: `visit-17@example.org`."""
    sequence: int
    """0 at first, and one more at each change of time or place and at cancellation (RFC 5545 §3.8.7.4)."""
    stamped_at: datetime
    """When this state was made; aware."""
    starts_at: datetime
    """Aware."""
    duration: timedelta
    zone: str
    """IANA name of the zone whose wall clock the patient lives by."""
    organizer: str
    """The practice's mail address; both methods need one (RFC 5546 §3.2.1 and §3.2.5, from memory)."""
    summary: str
    location: str | None = None
    language: str | None = None
    """Language tag of `summary` and `location`."""


def published(visit: Visit) -> bytes:
    """Return the iCalendar object that puts the visit into a calendar, or moves it there; no answer is asked.

    InputError for what no calendar could take: a time without offset, no duration, an unknown zone, a
    negative sequence, a control character.
    """
    return _calendar(visit, "PUBLISH", "CONFIRMED")


def cancelled(visit: Visit) -> bytes:
    """Return the iCalendar object that calls the visit off: same `uid`, a `sequence` above all before it.

    InputError as for `published`.
    """
    return _calendar(visit, "CANCEL", "CANCELLED")


def _calendar(visit: Visit, method: Literal["PUBLISH", "CANCEL"], status: str) -> bytes:
    _check(visit)
    starts_at = visit.starts_at.astimezone(UTC)
    ends_at = starts_at + visit.duration
    zone = _zone(visit.zone)
    calendar = Calendar()
    calendar.add("prodid", "-//reminders//aftercare visits//EN")
    calendar.add("version", "2.0")
    calendar.add("method", method)
    calendar.add_component(_zone_rules(visit.zone, starts_at.year))
    event = Event()
    event.add("uid", visit.uid)
    event.add("sequence", visit.sequence)
    event.add("dtstamp", visit.stamped_at.astimezone(UTC))
    event.add("dtstart", _wall(starts_at, zone))
    event.add("dtend", _wall(ends_at, zone))
    event.add("status", status)
    event.add("class", "PRIVATE")
    event.add("organizer", vCalAddress(f"mailto:{visit.organizer}"))
    parameters = {"language": visit.language} if visit.language else {}
    event.add("summary", visit.summary, parameters=parameters)
    if visit.location is not None:
        event.add("location", visit.location, parameters=parameters)
    calendar.add_component(event)
    return bytes(calendar.to_ical())


def _check(visit: Visit) -> None:
    if visit.starts_at.tzinfo is None or visit.stamped_at.tzinfo is None:
        raise InputError(english("visit: a time has no offset from UTC"))
    if visit.duration <= timedelta(0):
        raise InputError(english("visit: its duration must be above zero"))
    if visit.sequence < 0:
        raise InputError(english("visit: its sequence counts from 0"))
    for text in (visit.uid, visit.organizer, visit.summary, visit.location or ""):
        if any(unicodedata.category(char) in {"Cc", "Cs"} for char in text):
            raise InputError(english("visit: a line break or control character can't stand in its texts"))
    if not visit.uid:
        raise InputError(english("visit: it needs a uid"))


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise InputError(english("visit: there is no time zone {name!r}").format(name=name)) from None


def _wall(instant: datetime, zone: ZoneInfo) -> datetime:
    """Return `instant` on the zone's wall clock, or in UTC in the hour that the clock shows a second time.

    There a wall time would be read as the first (RFC 5545 §3.3.5).
    """
    wall = instant.astimezone(zone)
    return instant if wall.fold else wall


@lru_cache(maxsize=256)
def _zone_rules(name: str, year: int) -> Timezone:
    """Return the zone's rules from the year before `year` to the year after (RFC 5545 §3.6.5).

    Written here because icalendar 7.3.2 puts the onset of summer time an hour late: the standard wants it on
    the clock that ends there.
    """
    zone = ZoneInfo(name)
    rules = Timezone()
    rules.add("tzid", name)
    begin = datetime(year - 1, 1, 1, tzinfo=UTC)
    rules.add_component(_observance(begin, zone, before=begin))
    for onset in _changes(zone, begin, days=3 * 366):
        rules.add_component(_observance(onset, zone, before=onset - timedelta(seconds=1)))
    return rules


def _observance(onset: datetime, zone: ZoneInfo, *, before: datetime) -> Component:
    offset_before = _offset(before, zone)
    after = onset.astimezone(zone)
    observance = TimezoneDaylight() if after.dst() else TimezoneStandard()
    observance.add("dtstart", (onset + offset_before).replace(tzinfo=None))
    observance.add("tzoffsetfrom", offset_before)
    observance.add("tzoffsetto", _offset(onset, zone))
    observance.add("tzname", after.tzname())
    return observance


def _offset(instant: datetime, zone: ZoneInfo) -> timedelta:
    return instant.astimezone(zone).utcoffset() or timedelta(0)


def _changes(zone: ZoneInfo, begin: datetime, *, days: int) -> Iterator[datetime]:
    """Yield the instants, in order and to the second, at which the zone's offset or its name changes."""
    for day in range(days):
        low = begin + timedelta(days=day)
        high = low + timedelta(days=1)
        if _state(low, zone) == _state(high, zone):
            continue
        while high - low > timedelta(seconds=1):
            middle = low + timedelta(seconds=(high - low) // timedelta(seconds=2))
            if _state(middle, zone) == _state(low, zone):
                low = middle
            else:
                high = middle
        yield high


def _state(instant: datetime, zone: ZoneInfo) -> tuple[timedelta | None, str | None]:
    wall = instant.astimezone(zone)
    return wall.utcoffset(), wall.tzname()
