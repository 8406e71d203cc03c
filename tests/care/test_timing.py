"""Wall times, elapsed time and days, against RFC 5545, the IANA data and two other implementations."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import icalendar
import pytest
import recurring_ical_events
from dateutil.rrule import DAILY, rrule, rruleset
from hypothesis import given, settings
from hypothesis import strategies as st

from reminders.care.moments import moments
from reminders.care.resolving import resolve
from reminders.care.timing import course_day, date_of_day, instant_of, local_day, parse_local, zone_named
from reminders.care.values import Course
from reminders.clock import zone_data_version
from reminders.errors import InputError
from tests.build import course_of, hours, instruction, lead_plan, message_with, plan_of, planned, wall, walls

# Zones whose rules differ in kind: both hemispheres, half and quarter hours, no changes, rules new in 2026.
ZONES = (
    "America/New_York",
    "America/Los_Angeles",
    "America/St_Johns",
    "America/Vancouver",
    "America/Edmonton",
    "America/Phoenix",
    "Europe/London",
    "Europe/Chisinau",
    "Africa/Casablanca",
    "Asia/Kathmandu",
    "Australia/Sydney",
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Pacific/Apia",
)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def wall_instant(text: str, zone: str) -> datetime:
    local = datetime.fromisoformat(text)
    return instant_of(local.date(), local.time(), ZoneInfo(zone))


# RFC 5545 section 3.3.5 gives the two New York cases of 2007; the others follow from IANA data 2026f.
@pytest.mark.parametrize(
    ("zone", "local", "utc"),
    [
        pytest.param("America/New_York", "2007-03-11T02:30", "2007-03-11T07:30Z", id="RFC 5545, does not exist"),
        pytest.param("America/New_York", "2007-11-04T01:30", "2007-11-04T05:30Z", id="RFC 5545, happens twice"),
        pytest.param("America/New_York", "2026-03-08T01:59", "2026-03-08T06:59Z", id="last minute before the gap"),
        pytest.param("America/New_York", "2026-03-08T02:30", "2026-03-08T07:30Z", id="gap: 02:30 becomes 03:30"),
        pytest.param("America/New_York", "2026-03-08T03:00", "2026-03-08T07:00Z", id="first minute after the gap"),
        pytest.param("America/New_York", "2026-11-01T01:30", "2026-11-01T05:30Z", id="twice in New York: the first"),
        pytest.param("Europe/London", "2026-10-25T01:30", "2026-10-25T00:30Z", id="twice in London: the first"),
        pytest.param("Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45Z", id="half an hour twice"),
        pytest.param("Australia/Lord_Howe", "2026-10-04T02:15", "2026-10-03T15:45Z", id="half an hour missing"),
        pytest.param("Asia/Kathmandu", "2026-07-01T09:00", "2026-07-01T03:15Z", id="offset of 5:45"),
        pytest.param("America/Phoenix", "2026-07-01T09:00", "2026-07-01T16:00Z", id="no summer time"),
        pytest.param("America/Vancouver", "2026-12-01T09:00", "2026-12-01T16:00Z", id="Vancouver stays on -07"),
        pytest.param("America/Edmonton", "2026-12-01T09:00", "2026-12-01T15:00Z", id="Edmonton stays on -06"),
        pytest.param("America/Winnipeg", "2026-12-01T09:00", "2026-12-01T14:00Z", id="Winnipeg stays on -05"),
        pytest.param("Africa/Casablanca", "2027-01-15T09:00", "2027-01-15T09:00Z", id="Casablanca on +00"),
        pytest.param("Pacific/Apia", "2011-12-30T08:00", "2011-12-30T18:00Z", id="a day that does not exist"),
        pytest.param("Pacific/Kwajalein", "1993-08-21T08:00", "1993-08-21T20:00Z", id="another such day"),
    ],
)
def test_wall_time_becomes_the_published_instant(zone: str, local: str, utc: str) -> None:
    assert wall_instant(local, zone) == at(utc)


def test_the_second_reading_of_a_doubled_hour_is_never_chosen() -> None:
    second = time(1, 30, fold=1)
    assert instant_of(date(2026, 11, 1), second, ZoneInfo("America/New_York")) == at("2026-11-01T05:30Z")


# IANA data 2026f: the instant of each change and the offsets on both sides, in hours.
@pytest.mark.parametrize(
    ("zone", "change", "before", "after"),
    [
        ("America/New_York", "2026-03-08T07:00Z", -5, -4),
        ("America/New_York", "2026-11-01T06:00Z", -4, -5),
        ("America/New_York", "2027-03-14T07:00Z", -5, -4),
        ("America/New_York", "2027-11-07T06:00Z", -4, -5),
        ("America/Chicago", "2026-03-08T08:00Z", -6, -5),
        ("America/Chicago", "2026-11-01T07:00Z", -5, -6),
        ("America/Denver", "2026-03-08T09:00Z", -7, -6),
        ("America/Denver", "2026-11-01T08:00Z", -6, -7),
        ("America/Los_Angeles", "2026-03-08T10:00Z", -8, -7),
        ("America/Los_Angeles", "2026-11-01T09:00Z", -7, -8),
        ("America/Anchorage", "2026-03-08T11:00Z", -9, -8),
        ("America/Anchorage", "2026-11-01T10:00Z", -8, -9),
        ("America/St_Johns", "2026-03-08T05:30Z", -3.5, -2.5),
        ("America/St_Johns", "2026-11-01T04:30Z", -2.5, -3.5),
        ("Europe/London", "2026-03-29T01:00Z", 0, 1),
        ("Europe/London", "2026-10-25T01:00Z", 1, 0),
        ("Europe/Paris", "2026-03-29T01:00Z", 1, 2),
        ("Europe/Paris", "2027-03-28T01:00Z", 1, 2),
        ("Europe/Paris", "2027-10-31T01:00Z", 2, 1),
        ("Europe/Chisinau", "2026-03-29T01:00Z", 2, 3),
        ("Australia/Lord_Howe", "2026-04-04T15:00Z", 11, 10.5),
        ("Australia/Lord_Howe", "2026-10-03T15:30Z", 10.5, 11),
        ("Pacific/Chatham", "2026-04-04T14:00Z", 13.75, 12.75),
        ("Pacific/Chatham", "2026-09-26T14:00Z", 12.75, 13.75),
        ("Australia/Sydney", "2026-04-04T16:00Z", 11, 10),
        ("Australia/Sydney", "2026-10-03T16:00Z", 10, 11),
        ("Africa/Casablanca", "2026-09-20T01:00Z", 1, 0),
        ("America/Havana", "2027-11-07T05:00Z", -4, -5),
    ],
)
def test_clocks_change_when_the_iana_data_says(zone: str, change: str, before: float, after: float) -> None:
    there = ZoneInfo(zone)
    assert (at(change) - timedelta(seconds=1)).astimezone(there).utcoffset() == hours(before)
    assert at(change).astimezone(there).utcoffset() == hours(after)


@pytest.mark.parametrize(
    ("zone", "offset"),
    [
        ("America/Vancouver", -7),
        ("America/Edmonton", -6),
        ("America/Inuvik", -6),
        ("America/Winnipeg", -5),
        ("America/Havana", -4),
        ("Africa/Casablanca", 0),
        ("Africa/El_Aaiun", 0),
        ("America/Phoenix", -7),
        ("Pacific/Honolulu", -10),
        ("America/Puerto_Rico", -4),
        ("America/Regina", -6),
    ],
)
def test_clocks_stand_still_all_winter_where_the_data_says(zone: str, offset: float) -> None:
    day = at("2026-10-01T12:00Z")
    noons = [(day + timedelta(days=number)).astimezone(ZoneInfo(zone)) for number in range(150)]
    assert {noon.utcoffset() for noon in noons} == {hours(offset)}


def test_zone_rules_come_from_the_pinned_package() -> None:
    assert zoneinfo.TZPATH == ()
    assert tuple(map(int, zone_data_version().split("."))) >= (2026, 6)


# RFC 5545 section 3.8.5.3, DTSTART;TZID=America/New_York:19970902T090000 (UTC goes from 13:00 to 14:00).
@pytest.mark.parametrize(
    ("step_days", "count", "last_day", "in_summer_time"),
    [
        pytest.param(1, 113, date(1997, 12, 23), 54, id="DAILY until 24 December (erratum 6212: text stands)"),
        pytest.param(7, 10, date(1997, 11, 4), 8, id="WEEKLY, ten times"),
        pytest.param(7, 17, date(1997, 12, 23), 8, id="WEEKLY until 24 December"),
    ],
)
def test_recurrence_of_rfc_5545_keeps_the_wall_time(
    step_days: int, count: int, last_day: date, in_summer_time: int
) -> None:
    new_york = ZoneInfo("America/New_York")
    end = instant_of(date(1997, 9, 2), time(9), new_york)
    days = [date_of_day(number, procedure_end=end, zone=new_york) for number in range(0, count * step_days, step_days)]
    instants = [instant_of(day, time(9), new_york) for day in days]
    assert days[-1] == last_day
    assert [instant.hour for instant in instants] == [13] * in_summer_time + [14] * (count - in_summer_time)


def test_monthly_example_of_rfc_5545_keeps_the_wall_time() -> None:
    # FREQ=MONTHLY;COUNT=10;BYDAY=1FR from 5 September 1997: EDT twice, EST six times, EDT twice.
    fridays = ["09-05", "10-03", "11-07", "12-05", "01-02", "02-06", "03-06", "04-03", "05-01", "06-05"]
    days = [date.fromisoformat(f"{1997 if each > '08' else 1998}-{each}") for each in fridays]
    instants = [instant_of(day, time(9), ZoneInfo("America/New_York")) for day in days]
    assert [instant.hour for instant in instants] == [13] * 2 + [14] * 6 + [13] * 2


def test_hourly_example_of_rfc_5545_is_elapsed_time() -> None:
    # FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T210000Z (erratum 3883, verified): 09:00, 12:00, 15:00 EDT.
    each = [instruction(when=[{"after": "procedure_end", "hours": n} for n in (0, 3, 6)])]
    course = course_of("1997-09-02T09:00", "America/New_York")
    assert [wall(m.send_at, course)[-5:] for m in planned(plan_of(*each), course)] == ["09:00", "12:00", "15:00"]


@pytest.mark.parametrize(
    ("end", "dressing_off"),
    [
        pytest.param("2026-03-07T09:00", "2026-03-08 10:00", id="spring: one hour later by the clock"),
        pytest.param("2026-10-31T15:00", "2026-11-01 14:00", id="autumn: one hour earlier by the clock"),
        pytest.param("2026-06-10T09:00", "2026-06-11 09:00", id="no change"),
    ],
)
def test_24_hours_are_24_hours_across_a_change(end: str, dressing_off: str) -> None:
    course = course_of(end, "America/New_York")
    message = message_with(planned(lead_plan(), course), "dressing_off")
    assert wall(message.send_at, course) == dressing_off
    assert message.send_at - course.procedure_end == hours(24)


def test_elapsed_time_does_not_depend_on_the_zone_an_instant_is_written_in() -> None:
    # Python adds to a zoned datetime by the wall clock; a course must not.
    new_york = ZoneInfo("America/New_York")
    written_there = Course(procedure_end=datetime(2026, 3, 7, 9, tzinfo=new_york), zone=new_york, language="en")
    written_in_utc = Course(procedure_end=at("2026-03-07T14:00Z"), zone=new_york, language="en")
    assert planned(lead_plan(), written_there) == planned(lead_plan(), written_in_utc)


def test_soaks_stay_at_the_wall_time_across_a_change() -> None:
    course = course_of("2026-03-06T09:30", "America/New_York")
    messages = planned(lead_plan(), course)
    morning = ["2026-03-08 08:00", "2026-03-09 08:00", "2026-03-10 08:00"]
    evening = ["2026-03-07 19:00", "2026-03-08 19:00", "2026-03-09 19:00", "2026-03-10 19:00"]
    assert walls(messages, "soak", course) == sorted(morning + evening)


def test_an_hour_that_happens_twice_gives_one_soak() -> None:
    course = course_of("2026-10-30T09:30", "America/New_York", slots={"morning": "01:30"})
    twice = instruction(when=[{"each_day": ["morning"], "from_day": 1, "until_day": 4}], quiet="send")
    found = moments(resolve(plan_of(twice), course).plan.instructions[0], resolve(plan_of(twice), course))
    assert [m.planned_at for m in found] == [at("2026-10-31T05:30Z"), at("2026-11-01T05:30Z"), at("2026-11-02T06:30Z")]


@pytest.mark.parametrize(
    ("zone", "end", "expected"),
    [
        pytest.param("Pacific/Apia", "2011-12-28T15:00", ["29", "31", "01"], id="Apia had no 30 December 2011"),
        pytest.param("Pacific/Kwajalein", "1993-08-19T15:00", ["20", "22", "23"], id="Kwajalein, 21 August 1993"),
    ],
)
def test_a_day_that_does_not_exist_is_not_said_twice(zone: str, end: str, expected: list[str]) -> None:
    daily = plan_of(instruction(when=[{"each_day": ["morning"], "from_day": 1, "until_day": 5}]))
    course = course_of(end, zone)
    messages = planned(daily, course)
    assert [each[8:10] for each in walls(messages, "note", course)] == expected
    assert [m.first.occurrence for m in messages] == [1, 2, 3]


def test_single_days_on_a_day_that_does_not_exist_are_not_said_twice() -> None:
    days = plan_of(instruction(when=[{"on_day": [2, 3], "at": "midday"}]))
    course = course_of("2011-12-28T15:00", "Pacific/Apia")
    assert walls([m for m in planned(days, course) if m.outcome == "scheduled"], "note", course) == ["2011-12-31 12:30"]


def test_days_count_by_the_patients_own_calendar() -> None:
    late = at("2026-06-11T05:30Z")
    assert course_day(at("2026-06-11T06:30Z"), procedure_end=late, zone=ZoneInfo("America/Los_Angeles")) == 0
    assert course_day(at("2026-06-11T07:00Z"), procedure_end=late, zone=ZoneInfo("America/Los_Angeles")) == 1
    assert date_of_day(5, procedure_end=late, zone=ZoneInfo("America/Los_Angeles")) == date(2026, 6, 15)
    assert date_of_day(5, procedure_end=late, zone=UTC) == date(2026, 6, 16)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-08T02:30", "2026-03-08T07:30Z"),
        ("2026-03-08 02:30", "2026-03-08T07:30Z"),
        ("2026-03-08T07:30:00Z", "2026-03-08T07:30Z"),
        ("2026-03-08T03:30:00-04:00", "2026-03-08T07:30Z"),
        ("2026-11-01T01:30-05:00", "2026-11-01T06:30Z"),
    ],
)
def test_text_without_offset_is_read_by_the_patients_clock(text: str, utc: str) -> None:
    found = parse_local(text, ZoneInfo("America/New_York"))
    assert (found, found.tzinfo) == (at(utc), UTC)


@pytest.mark.parametrize("text", ["", "tomorrow", "2026-13-01T10:00", "2026-02-30T10:00", "10:00"])
def test_text_that_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"Invalid isoformat|must be in|out of range"):
        parse_local(text, UTC)


@pytest.mark.parametrize("name", ["", "Mars/Olympus", "America", "../etc/passwd", "america/new_york", "EST5EDT4\0"])
def test_a_name_that_is_no_zone_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="not a time zone"):
        zone_named(name)


# Whole minutes of the years 2025 to 2029.
INSTANTS = st.integers(0, 5 * 365 * 24 * 60).map(lambda number: at("2025-01-01T00:00Z") + timedelta(minutes=number))
WALLS = INSTANTS.map(lambda instant: f"{instant:%Y-%m-%dT%H:%M}")


def _rrule_walls(course: Course, slots: list[str], first_day: int, until_day: int) -> Iterator[datetime]:
    """The wall times by dateutil: one DAILY rule for each slot, naive, so no zone has touched them."""
    day_0 = local_day(course.procedure_end, course.zone)
    rules = rruleset()
    for slot in slots:
        start = datetime.combine(day_0 + timedelta(days=first_day), time.fromisoformat(slot))
        rules.rrule(rrule(DAILY, dtstart=start, count=until_day - first_day))
    return iter(rules)


@settings(max_examples=150)
@given(
    end=WALLS,
    zone=st.sampled_from(ZONES),
    slots=st.lists(st.times().map(lambda t: t.strftime("%H:%M")), min_size=2, max_size=2, unique=True),
    days=st.tuples(st.integers(0, 3), st.integers(1, 8)),
)
def test_daily_moments_agree_with_dateutil(end: str, zone: str, slots: list[str], days: tuple[int, int]) -> None:
    first_day, until_day = days[0], sum(days)
    course = course_of(end, zone, slots=dict(zip(("morning", "evening"), slots, strict=True)))
    plan = plan_of(
        instruction(when=[{"each_day": ["morning", "evening"], "from_day": first_day, "until_day": until_day}])
    )
    found = [each.planned_at for each in moments(plan.instructions[0], resolve(plan, course))]
    # The zone is applied by zoneinfo's own rule, fold=0, to what the other library gives.
    walls_given = _rrule_walls(course, slots, first_day, until_day)
    assert found == sorted({each.replace(tzinfo=course.zone).astimezone(UTC) for each in walls_given})


@settings(max_examples=40)
@given(end=WALLS, zone=st.sampled_from(ZONES), slot=st.times(time(4), time(23)), count=st.integers(1, 10))
def test_daily_moments_agree_with_a_calendar_library(end: str, zone: str, slot: time, count: int) -> None:
    wall_time = slot.strftime("%H:%M")
    course = course_of(end, zone, slots={"morning": wall_time})
    plan = plan_of(instruction(when=[{"each_day": ["morning"], "from_day": 1, "until_day": count + 1}]))
    found = [each.planned_at for each in moments(plan.instructions[0], resolve(plan, course))]
    first = local_day(course.procedure_end, course.zone) + timedelta(days=1)
    event = icalendar.Event()
    event.add("uid", "1@example.org")
    event.add("dtstamp", course.procedure_end)
    event.add("dtstart", datetime.combine(first, time.fromisoformat(wall_time), tzinfo=course.zone))
    event.add("rrule", {"freq": "daily", "count": count})
    calendar = icalendar.Calendar()
    calendar.add_component(event)
    events = recurring_ical_events.of(calendar).between(first - timedelta(days=1), first + timedelta(days=count + 1))
    assert found == sorted(each["DTSTART"].dt.astimezone(UTC) for each in events)


@given(end=INSTANTS, zone=st.sampled_from(sorted(zoneinfo.available_timezones())), day=st.integers(0, 40))
def test_a_day_and_a_midday_are_read_back_in_every_zone(end: datetime, zone: str, day: int) -> None:
    there = ZoneInfo(zone)
    on = date_of_day(day, procedure_end=end, zone=there)
    local = instant_of(on, time(12, 30), there).astimezone(there)
    assert (local.date(), local.time()) == (on, time(12, 30))


@given(instant=INSTANTS, zone=st.sampled_from(ZONES))
def test_elapsed_offsets_add_up_and_never_run_back(instant: datetime, zone: str) -> None:
    plan = plan_of(instruction(when=[{"after": "procedure_end", "hours": n} for n in range(0, 72, 6)]))
    course = Course(procedure_end=instant.astimezone(ZoneInfo(zone)), zone=ZoneInfo(zone), language="en")
    found = [each.planned_at for each in moments(plan.instructions[0], resolve(plan, course))]
    assert {later - earlier for earlier, later in pairwise(found)} == {hours(6)}


def test_a_naive_instant_is_refused() -> None:
    with pytest.raises(ValueError, match="procedure_end needs a time zone"):
        Course(
            procedure_end=datetime.fromisoformat("2026-03-07T09:00"), zone=ZoneInfo("America/New_York"), language="en"
        )


def test_an_instant_with_a_plain_offset_is_taken_as_utc() -> None:
    end = datetime(2026, 3, 7, 9, tzinfo=timezone(hours(-5)))
    assert Course(procedure_end=end, zone=ZoneInfo("America/New_York"), language="en").procedure_end.tzinfo is UTC
