"""Quiet hours by the clock on the patient's own wall: tables, and properties over any weekly pattern.

Two things at a clock change are by design and left out of the "nothing between" properties. When quiet hours begin
inside the hour that happens twice, the minutes before their second beginning are not used. When they end inside a
gap, the end is read by RFC 5545 section 3.3.5 (02:30 becomes 03:30), so the half hour after the gap is not used.
"""

from __future__ import annotations

import zoneinfo
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reminders.care.quiet_hours import WEEKDAYS, QuietHours, QuietInterval
from reminders.care.timing import instant_of
from tests.build import NIGHT, hours

NEW_YORK = ZoneInfo("America/New_York")
MARGIN = timedelta(minutes=15)
MINUTE = timedelta(minutes=1)

# 13 April 2026 is a Monday.
CHURCH = QuietHours.of_week([NIGHT], {"saturday": ["22:00-10:00"], "sunday": ["20:00-08:00"]})
SIESTA = QuietHours.every_day("21:00-08:00", "13:00-15:00")
NO_SUNDAY = QuietHours.of_week([NIGHT], {"saturday": ["21:00-00:00"], "sunday": ["00:00-12:00", "12:00-08:00"]})
END_TO_END = QuietHours.every_day("21:00-03:00", "03:00-08:00")
OVERLAPPING = QuietHours.every_day("21:00-06:00", "04:00-08:00")
EARLY = QuietHours.every_day("00:00-07:30")


def local(text: str, zone: ZoneInfo = NEW_YORK) -> datetime:
    there = datetime.fromisoformat(text)
    return instant_of(there.date(), there.time(), zone)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


# The widest window of 47 CFR 64.1200(c)(1) is 8 am to 9 pm at the called party's location.
@pytest.mark.parametrize(
    ("pattern", "moment", "quiet"),
    [
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T07:59:59", True, id="last second of the night"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T08:00", False, id="the end is not quiet any more"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T20:59:59", False, id="last second of the day"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T21:00", True, id="the start is quiet"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T00:00", True, id="midnight within"),
        pytest.param(QuietHours.every_day(), "2026-04-13T03:00", False, id="no quiet hours at all"),
        pytest.param(EARLY, "2026-04-13T00:00", True, id="from midnight on"),
        pytest.param(EARLY, "2026-04-12T23:59", False, id="the minute before midnight"),
        pytest.param(QuietHours.every_day("22:00-00:00"), "2026-04-13T23:59", True, id="until midnight"),
        pytest.param(QuietHours.every_day("22:00-00:00"), "2026-04-14T00:00", False, id="midnight is the end"),
        pytest.param(SIESTA, "2026-04-13T14:00", True, id="two intervals: siesta"),
        pytest.param(SIESTA, "2026-04-13T15:00", False, id="two intervals: between"),
        pytest.param(CHURCH, "2026-04-18T21:30", False, id="Saturday evening begins later"),
        pytest.param(CHURCH, "2026-04-19T09:30", True, id="Saturday's night reaches into Sunday"),
        pytest.param(CHURCH, "2026-04-20T09:30", False, id="Sunday's night ends at eight"),
        pytest.param(CHURCH, "2026-04-19T20:00", True, id="Sunday begins earlier"),
        pytest.param(CHURCH, "2026-04-17T20:30", False, id="Friday is like every day"),
        pytest.param(NO_SUNDAY, "2026-04-19T12:00", True, id="a whole Sunday"),
        pytest.param(NO_SUNDAY, "2026-04-20T07:59", True, id="into Monday morning"),
        pytest.param(NO_SUNDAY, "2026-04-20T08:00", False, id="Monday at eight"),
    ],
)
def test_the_wall_clock_decides_what_is_quiet(pattern: QuietHours, moment: str, quiet: bool) -> None:
    assert pattern.is_quiet(local(moment), NEW_YORK) is quiet


@pytest.mark.parametrize(
    ("pattern", "moment", "end"),
    [
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T22:25", "2026-04-14T08:00", id="overnight"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T05:00", "2026-04-13T08:00", id="after midnight"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T21:00", "2026-04-14T08:00", id="from the start"),
        pytest.param(CHURCH, "2026-04-18T23:00", "2026-04-19T10:00", id="Saturday's own end"),
        pytest.param(NO_SUNDAY, "2026-04-18T21:30", "2026-04-20T08:00", id="over the whole Sunday"),
        pytest.param(SIESTA, "2026-04-13T13:00", "2026-04-13T15:00", id="the nearer of two"),
        pytest.param(END_TO_END, "2026-04-13T22:00", "2026-04-14T08:00", id="end to end"),
        pytest.param(OVERLAPPING, "2026-04-13T22:00", "2026-04-14T08:00", id="overlapping"),
    ],
)
def test_quiet_hours_end_at(pattern: QuietHours, moment: str, end: str) -> None:
    assert pattern.end_after(local(moment), NEW_YORK) == local(end)


@pytest.mark.parametrize(
    ("pattern", "moment", "earlier"),
    [
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-13T22:25", "2026-04-13T20:45", id="the evening before"),
        pytest.param(QuietHours.every_day(NIGHT), "2026-04-14T05:00", "2026-04-13T20:45", id="night of the day before"),
        pytest.param(CHURCH, "2026-04-19T09:30", "2026-04-18T21:45", id="Saturday's later start"),
        pytest.param(SIESTA, "2026-04-13T14:00", "2026-04-13T12:45", id="before the siesta"),
        pytest.param(NO_SUNDAY, "2026-04-19T14:00", "2026-04-18T20:45", id="before the whole Sunday"),
        pytest.param(EARLY, "2026-04-13T06:00", "2026-04-12T23:45", id="before midnight"),
    ],
)
def test_last_moment_before_quiet_hours_is(pattern: QuietHours, moment: str, earlier: str) -> None:
    assert pattern.last_moment_before(local(moment), NEW_YORK, MARGIN) == local(earlier)


def test_without_quiet_hours_nothing_ends_or_begins() -> None:
    never = QuietHours.every_day()
    moment = local("2026-04-13T22:25")
    assert never.end_after(moment, NEW_YORK) is None
    assert never.last_moment_before(moment, NEW_YORK, MARGIN) is None
    assert never.start_before(moment, NEW_YORK) is None


def test_quiet_hours_that_never_end_say_so() -> None:
    always = QuietHours.every_day("00:00-12:00", "12:00-00:00")
    moment = local("2026-04-13T22:25")
    assert always.end_after(moment, NEW_YORK) is None
    assert always.last_moment_before(moment, NEW_YORK, MARGIN) is None


@pytest.mark.parametrize(
    ("moment", "start"),
    [("2026-04-13T22:25", time(21)), ("2026-04-14T05:00", time(21)), ("2026-04-19T09:30", time(22))],
)
def test_the_start_shown_to_staff_is_the_one_around_the_moment(moment: str, start: time) -> None:
    assert CHURCH.start_before(local(moment), NEW_YORK) == start


# New York, 2026: 01:59 EST is followed by 03:00 EDT on 8 March; 01:59 EDT by 01:00 EST on 1 November.
@pytest.mark.parametrize(
    ("pattern", "moment", "quiet"),
    [
        pytest.param("01:00-02:30", "2026-03-08T06:59Z", True, id="the minute before the gap"),
        pytest.param("01:00-02:30", "2026-03-08T07:00Z", False, id="the end lies in the gap: over at 03:00"),
        pytest.param("02:10-02:50", "2026-03-08T07:00Z", False, id="wholly inside the gap: never"),
        pytest.param("01:00-01:30", "2026-11-01T05:10Z", True, id="the doubled hour, first time"),
        pytest.param("01:00-01:30", "2026-11-01T05:40Z", False, id="between the two readings"),
        pytest.param("01:00-01:30", "2026-11-01T06:10Z", True, id="the doubled hour, second time"),
    ],
)
def test_a_clock_change_moves_quiet_hours_with_the_clock(pattern: str, moment: str, quiet: bool) -> None:
    assert QuietHours.every_day(pattern).is_quiet(at(moment), NEW_YORK) is quiet


@pytest.mark.parametrize(
    ("pattern", "moment", "end"),
    [
        pytest.param("01:00-01:30", "2026-11-01T05:10Z", "2026-11-01T05:30Z", id="first reading"),
        pytest.param("01:00-01:30", "2026-11-01T06:10Z", "2026-11-01T06:30Z", id="second reading"),
        pytest.param("22:00-02:30", "2026-03-08T04:00Z", "2026-03-08T07:30Z", id="end in the gap: RFC 5545, 03:30"),
        pytest.param(NIGHT, "2026-03-08T03:00Z", "2026-03-08T12:00Z", id="the night of 23 hours"),
        pytest.param(NIGHT, "2026-11-01T03:00Z", "2026-11-01T13:00Z", id="the night of 25 hours"),
    ],
)
def test_quiet_hours_end_across_a_clock_change(pattern: str, moment: str, end: str) -> None:
    assert QuietHours.every_day(pattern).end_after(at(moment), NEW_YORK) == at(end)


def test_quiet_hours_hold_where_a_day_is_missing() -> None:
    # Apia went from the night of 29 December 2011 straight to the 31st.
    apia = ZoneInfo("Pacific/Apia")
    end = QuietHours.every_day(NIGHT).end_after(local("2011-12-29T22:00", apia), apia)
    assert end is not None
    assert end.astimezone(apia) == datetime(2011, 12, 31, 8, tzinfo=apia)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "21-8",
        "9pm-8am",
        "21:00",
        "21:00 to 08:00",
        "21:00-24:00",
        "25:00-08:00",
        "21:60-08:00",
        "21:00-8:00",
        "21:00\u201308:00",
        "21:00-08:00-09:00",
        "-21:00-08:00",
        "２１:00-08:00",
        "none",
    ],
)
def test_text_that_is_no_interval_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="look like 21:00-08:00"):
        QuietInterval.parse(text)


def test_an_interval_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="begin and end together"):
        QuietInterval.parse("08:00-08:00")


def test_spaces_around_an_interval_do_no_harm() -> None:
    assert QuietInterval.parse(" 21:00-08:00 ") == QuietInterval(start_wall=time(21), end_wall=time(8))


def test_a_weekday_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="sundy: not a weekday"):
        QuietHours.of_week([NIGHT], {"sundy": ["20:00-09:00"]})


def test_a_weekday_may_have_no_quiet_hours() -> None:
    pattern = QuietHours.of_week([NIGHT], {"monday": []})
    assert not pattern.is_quiet(local("2026-04-13T22:00"), NEW_YORK)
    assert pattern.is_quiet(local("2026-04-13T07:00"), NEW_YORK), "Sunday's night reaches into Monday"


def _clock() -> st.SearchStrategy[str]:
    return st.builds("{:02d}:{:02d}".format, st.integers(0, 23), st.sampled_from([0, 15, 30, 45]))


def _intervals() -> st.SearchStrategy[list[str]]:
    pair = st.tuples(_clock(), _clock()).filter(lambda two: two[0] != two[1]).map("-".join)
    return st.lists(pair, max_size=2)


def _patterns() -> st.SearchStrategy[QuietHours]:
    exceptions = st.dictionaries(st.sampled_from(WEEKDAYS), _intervals(), max_size=3)
    return st.builds(QuietHours.of_week, _intervals(), exceptions)


ZONES = st.sampled_from(sorted(zoneinfo.available_timezones()))
INSTANTS = st.integers(0, 2 * 366 * 24 * 60).map(lambda number: at("2026-01-01T00:00Z") + number * MINUTE)


def _clock_changes(first: datetime, last: datetime, zone: ZoneInfo) -> bool:
    """Say whether the offset differs at any hour between; changes in the data are more than an hour apart."""
    steps = int((last - first) / hours(1)) + 2
    return len({(first + hours(n)).astimezone(zone).utcoffset() for n in range(-1, steps)}) > 1


def _minutes(first: datetime, last: datetime, step: timedelta = MINUTE) -> list[datetime]:
    return [first + number * step for number in range(int((last - first) / step))]


def _read_by_the_definition(pattern: QuietHours, there: datetime) -> bool:
    """The same question asked in another way: is the reading in a shape laid out on a line of minutes of the week."""
    now = there.weekday() * 1440 + there.hour * 60 + there.minute
    for weekday, intervals in enumerate(pattern.by_weekday):
        for each in intervals:
            start = each.start_wall.hour * 60 + each.start_wall.minute
            length = (each.end_wall.hour * 60 + each.end_wall.minute - start) % 1440
            if (now - weekday * 1440 - start) % 10080 < length:
                return True
    return False


@given(pattern=_patterns(), instant=INSTANTS, zone=ZONES)
def test_quiet_is_what_the_weekly_pattern_says(pattern: QuietHours, instant: datetime, zone: str) -> None:
    there = instant.astimezone(ZoneInfo(zone))
    assert pattern.is_quiet(instant, ZoneInfo(zone)) is _read_by_the_definition(pattern, there)


@settings(max_examples=200)
@given(pattern=_patterns(), instant=INSTANTS, name=ZONES)
def test_the_end_is_not_quiet_and_everything_before_it_is(pattern: QuietHours, instant: datetime, name: str) -> None:
    zone = ZoneInfo(name)
    assume(pattern.is_quiet(instant, zone))
    end = pattern.end_after(instant, zone)
    if end is None:
        assert all(pattern.is_quiet(each, zone) for each in _minutes(instant, instant + hours(169), 15 * MINUTE))
        return
    assert end >= instant
    assert not pattern.is_quiet(end, zone)
    if not _clock_changes(instant, end, zone):
        assert all(pattern.is_quiet(each, zone) for each in _minutes(instant, end, 15 * MINUTE))
        assert pattern.is_quiet(end - MINUTE, zone)


@settings(max_examples=200)
@given(pattern=_patterns(), instant=INSTANTS, name=ZONES, margin=st.sampled_from([0, 15, 45]))
def test_the_last_moment_before_is_earlier_and_not_quiet(
    pattern: QuietHours, instant: datetime, name: str, margin: int
) -> None:
    zone, distance = ZoneInfo(name), timedelta(minutes=margin)
    assume(pattern.is_quiet(instant, zone))
    found = pattern.last_moment_before(instant, zone, distance)
    if found is None:
        return
    assert found <= instant
    assert not pattern.is_quiet(found, zone)
    if not _clock_changes(found, instant, zone):
        assert pattern.is_quiet(found + distance, zone), "quiet hours begin one margin later"
        later_starts = [
            each
            for each in _minutes(found + distance + MINUTE, instant)
            if pattern.is_quiet(each, zone) and not pattern.is_quiet(each - MINUTE, zone)
        ]
        assert all(pattern.is_quiet(each - distance, zone) for each in later_starts), "no later one would do"


@given(pattern=_patterns(), instant=INSTANTS, zone=ZONES)
def test_a_start_is_shown_exactly_when_it_is_quiet(pattern: QuietHours, instant: datetime, zone: str) -> None:
    shown = pattern.start_before(instant, ZoneInfo(zone))
    assert (shown is not None) is pattern.is_quiet(instant, ZoneInfo(zone))


def test_the_calendar_used_above_is_right() -> None:
    assert date(2026, 4, 13).weekday() == WEEKDAYS.index("monday")
