"""From wall times and days to instants, the same on every host and across every clock change.

Two rules hold everywhere. Elapsed time is absolute: 24 h after an instant is 24 h later, whatever clocks do.
A wall time is looked up in the patient's zone: one that does not exist (a gap in spring) keeps the offset that
was valid before the gap, so 02:30 becomes 03:30; one that happens twice means the first (RFC 5545 section 3.3.5).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from reminders.errors import InputError
from reminders.sentences import english


def instant_of(day: date, wall: time, zone: tzinfo) -> datetime:
    """Return the UTC instant of a wall time on a local day, by the two rules above."""
    # fold=0 is exactly RFC 5545's rule for both cases: the earlier of two, and the offset before a gap.
    return datetime.combine(day, wall.replace(fold=0), tzinfo=zone).astimezone(UTC)


@lru_cache(maxsize=65_536)  # rules ask again and again about few instants, and each look into a zone is slow
def local_time(instant: datetime, zone: tzinfo) -> datetime:
    """Return an instant by the wall clock of a zone."""
    return instant.astimezone(zone)


@lru_cache(maxsize=16_384)
def local_day(instant: datetime, zone: tzinfo) -> date:
    """Return the calendar date that an instant falls on in a zone."""
    return local_time(instant, zone).date()


def course_day(instant: datetime, *, procedure_end: datetime, zone: tzinfo) -> int:
    """Return which day of the course an instant falls on: 0 on the procedure's own local date."""
    return (local_day(instant, zone) - local_day(procedure_end, zone)).days


def date_of_day(number: int, *, procedure_end: datetime, zone: tzinfo) -> date:
    """Return the local date of day `number`; day 0 is the procedure's own."""
    return local_day(procedure_end, zone) + timedelta(days=number)


def zone_named(name: str) -> ZoneInfo:
    """Return the zone with an IANA name, spelt exactly; raises InputError that says what such names look like."""
    # A folder of the zone data, a path or an odd character are no zones either, and each raises its own error.
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            english("{name!r} is not a time zone; use an IANA name such as America/Chicago").format(name=name)
        ) from None


def as_text(instant: datetime | None, zone: tzinfo) -> str | None:
    """Return an instant for programs: RFC 3339 with the zone's offset; None for none."""
    return None if instant is None else instant.astimezone(zone).isoformat()


def parse_local(text: str, zone: tzinfo) -> datetime:
    """Return the UTC instant of ISO 8601 text; without an offset it is a wall time in `zone`.

    Raises ValueError when the text is no date and time.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        return instant_of(moment.date(), moment.time(), zone)
    return moment.astimezone(UTC)
