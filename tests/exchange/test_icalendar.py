"""Visits as calendar objects, read back by the icalendar library and by the words of RFC 5545 and 5546."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from reminders.errors import InputError
from reminders.exchange.icalendar import Visit, cancelled, published

VISIT = Visit(
    uid="visit-17@example.org",
    sequence=0,
    stamped_at=datetime(2026, 3, 7, 20, 5, tzinfo=UTC),
    starts_at=datetime(2026, 3, 21, 10, 0, tzinfo=ZoneInfo("America/Los_Angeles")),
    duration=timedelta(minutes=20),
    zone="America/Los_Angeles",
    organizer="aftercare@example.org",
    summary="Cita, Clínica Ejemplo",
    location="12 Example Street; Room 3",
    language="es",
)
TEXT = st.text(st.characters(exclude_categories=["Cc", "Cs"]))


def only(calendar: bytes, name: str) -> Any:
    """Return the one component of that name, as the library reads it."""
    (found,) = Calendar.from_ical(calendar).walk(name)
    return found


def offset_at(zone: Any, instant: datetime) -> timedelta:
    """Read a VTIMEZONE as RFC 5545 §3.6.5 says: the last onset rules; an onset is on the clock ending there."""
    onsets: list[tuple[datetime, timedelta]] = []
    for rule in zone.subcomponents:
        before = rule["tzoffsetfrom"].td
        onsets.append((rule["dtstart"].dt.replace(tzinfo=UTC) - before, rule["tzoffsetto"].td))
    past = [onset for onset in onsets if onset[0] <= instant]
    return max(past)[1]


# RFC 5545 §3.6.1 and RFC 5546 §3.2.1: what a published event must hold; and nothing that tells of the patient.
def test_published_visit_holds_what_it_must_and_no_more() -> None:
    calendar = Calendar.from_ical(published(VISIT))
    event = only(published(VISIT), "VEVENT")

    assert (calendar["METHOD"], calendar["VERSION"]) == ("PUBLISH", "2.0")
    assert set(event) == {
        "UID", "SEQUENCE", "DTSTAMP", "DTSTART", "DTEND", "STATUS", "CLASS", "ORGANIZER", "SUMMARY", "LOCATION",
    }  # fmt: skip
    assert (event["UID"], event["SEQUENCE"], event["STATUS"]) == ("visit-17@example.org", 0, "CONFIRMED")
    assert event["DTSTAMP"].dt == VISIT.stamped_at
    assert (event["DTSTART"].dt, event["DTEND"].dt) == (VISIT.starts_at, VISIT.starts_at + VISIT.duration)
    assert (event["SUMMARY"], event["LOCATION"]) == (VISIT.summary, VISIT.location)
    assert event["SUMMARY"].params["LANGUAGE"] == "es"
    assert event["ORGANIZER"] == "mailto:aftercare@example.org"
    assert event["CLASS"] == "PRIVATE"


# RFC 5545 §3.8.7.4: the same uid and a higher sequence replace the earlier state.
def test_moved_visit_replaces_the_first() -> None:
    moved = replace(VISIT, sequence=1, starts_at=VISIT.starts_at + timedelta(days=1))

    first, second = only(published(VISIT), "VEVENT"), only(published(moved), "VEVENT")

    assert first["UID"] == second["UID"]
    assert (first["SEQUENCE"], second["SEQUENCE"]) == (0, 1)
    assert second["DTSTART"].dt - first["DTSTART"].dt == timedelta(days=1)


# RFC 5546 §3.2.5: METHOD CANCEL, STATUS CANCELLED, same uid, higher sequence.
def test_cancelled_visit_is_called_off() -> None:
    octets = cancelled(replace(VISIT, sequence=2))
    event = only(octets, "VEVENT")

    assert Calendar.from_ical(octets)["METHOD"] == "CANCEL"
    assert (event["UID"], event["SEQUENCE"], event["STATUS"]) == ("visit-17@example.org", 2, "CANCELLED")


def test_visit_stands_on_the_wall_clock_of_the_patient() -> None:
    assert b"DTSTART;TZID=America/Los_Angeles:20260321T100000\r\n" in published(VISIT)


# 1 November 2026, 01:30 a second time: the wall time alone would mean the first (RFC 5545 §3.3.5).
def test_hour_shown_twice_is_written_in_utc() -> None:
    second = datetime(2026, 11, 1, 9, 30, tzinfo=UTC)

    octets = published(replace(VISIT, starts_at=second))

    assert b"DTSTART:20261101T093000Z\r\n" in octets
    assert only(octets, "VEVENT")["DTSTART"].dt == second


@given(
    st.sampled_from(sorted(available_timezones() - {"Factory", "localtime"})),
    st.integers(0, 12 * 366 * 24 * 60),
)
def test_zone_rules_cover_the_visit(zone: str, minutes: int) -> None:
    starts_at = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)

    octets = published(replace(VISIT, zone=zone, starts_at=starts_at))

    event, rules = only(octets, "VEVENT"), only(octets, "VTIMEZONE")
    assert event["DTSTART"].dt == starts_at
    assert rules["TZID"] == zone
    for instant in (starts_at, starts_at + VISIT.duration):
        assert offset_at(rules, instant) == instant.astimezone(ZoneInfo(zone)).utcoffset()


# RFC 5545 §3.6.5, the worked example of New York since 2007: 2 a.m. on the clock that ends there.
def test_summer_time_begins_and_ends_as_in_the_standard() -> None:
    octets = published(replace(VISIT, zone="America/New_York"))

    onsets = re.findall(rb"BEGIN:(\w+)\r\nDTSTART:2026(\d{4}T\d{6})", octets)
    assert onsets == [(b"DAYLIGHT", b"0308T020000"), (b"STANDARD", b"1101T020000")]


# RFC 5545 §3.1: lines of at most 75 octets, CRLF, never cut inside a character.
@given(TEXT, TEXT)
def test_any_text_comes_back_from_folded_lines(summary: str, location: str) -> None:
    octets = published(replace(VISIT, summary=summary, location=location))

    event = only(octets, "VEVENT")
    assert (str(event["SUMMARY"]), str(event["LOCATION"])) == (summary, location)
    lines = [line.decode() for line in octets.split(b"\r\n")]  # a cut character would not decode
    assert max(len(line.encode()) for line in lines) <= 75


def test_same_visit_gives_the_same_octets() -> None:
    assert published(VISIT) == published(VISIT)


@pytest.mark.parametrize(
    "change",
    [
        {"starts_at": datetime(2026, 3, 21, 10)},  # noqa: DTZ001  the missing offset is what is refused
        {"stamped_at": datetime(2026, 3, 21, 10)},  # noqa: DTZ001
        {"duration": timedelta(0)},
        {"sequence": -1},
        {"zone": "Mars/Olympus"},
        {"zone": "../etc/passwd"},
        {"uid": ""},
        {"uid": "a\r\nATTENDEE:mailto:x@example.org"},
        {"summary": "a\nb"},
        {"summary": "\ud800"},
        {"location": "a\rb"},
        {"organizer": "a@example.org\nx"},
    ],
    ids=str,
)
def test_what_no_calendar_could_take_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(InputError, match=r"^visit: "):
        published(replace(VISIT, **change))  # type: ignore[arg-type]
