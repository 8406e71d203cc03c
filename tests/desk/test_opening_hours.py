"""Until when a concern must be dealt with: over lunch, nights, weekends, holidays and clock changes."""

from __future__ import annotations

from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.care.timing import parse_local
from reminders.desk.opening_hours import DueTimes, OpeningHours
from tests.desk.office import CHICAGO

DAY = ((time(8, 30), time(12, 0)), (time(13, 0), time(17, 30)))
SATURDAY = ((time(9, 0), time(12, 0)),)
HOURS = OpeningHours(
    by_weekday=(DAY, DAY, DAY, DAY, DAY, SATURDAY, ()),
    # 4 July 2026 is a Saturday, so the day off is the Friday before
    closed_on=frozenset({date(2026, 7, 3), date(2026, 7, 4), date(2026, 11, 26)}),
    zone=CHICAGO,
)
DUE = DueTimes(
    emergency=timedelta(minutes=15),
    urgent=timedelta(hours=4),
    urgent_after_opening=timedelta(hours=1),
    routine_working_days=1,
)


@pytest.mark.parametrize(
    ("urgency", "opened", "due"),
    [
        pytest.param("emergency", "2026-06-10T11:00", "2026-06-10T11:15", id="emergency-by-day"),
        pytest.param("emergency", "2026-06-11T03:00", "2026-06-11T03:15", id="emergency-at-night"),
        pytest.param("emergency", "2026-07-03T23:55", "2026-07-04T00:10", id="emergency-on-a-holiday"),
        pytest.param("emergency", "2026-11-01T01:50-05:00", "2026-11-01T01:05-06:00", id="emergency-as-clocks-go-back"),
        pytest.param("urgent", "2026-06-10T08:30", "2026-06-10T13:30", id="urgent-four-open-hours-over-lunch"),
        pytest.param("urgent", "2026-06-10T13:00", "2026-06-10T17:00", id="urgent-after-lunch"),
        pytest.param("urgent", "2026-06-10T16:00", "2026-06-10T17:30", id="urgent-ends-with-the-day"),
        pytest.param("urgent", "2026-06-10T12:30", "2026-06-10T14:00", id="urgent-at-lunch"),
        pytest.param("urgent", "2026-06-10T17:30", "2026-06-11T09:30", id="urgent-as-the-door-closes"),
        pytest.param("urgent", "2026-06-10T22:00", "2026-06-11T09:30", id="urgent-at-night"),
        pytest.param("urgent", "2026-06-11T05:00", "2026-06-11T09:30", id="urgent-before-dawn"),
        pytest.param("urgent", "2026-06-13T11:30", "2026-06-13T12:00", id="urgent-saturday-noon"),
        pytest.param("urgent", "2026-06-13T13:00", "2026-06-15T09:30", id="urgent-over-the-weekend"),
        pytest.param("urgent", "2026-07-02T18:00", "2026-07-06T09:30", id="urgent-over-a-holiday-weekend"),
        pytest.param("urgent", "2026-03-07T20:00", "2026-03-09T09:30", id="urgent-over-the-change-in-spring"),
        pytest.param("routine", "2026-06-10T11:00", "2026-06-11T17:30", id="routine"),
        pytest.param("routine", "2026-06-10T23:00", "2026-06-11T17:30", id="routine-at-night"),
        pytest.param("routine", "2026-06-12T09:00", "2026-06-13T12:00", id="routine-friday"),
        pytest.param("routine", "2026-06-13T10:00", "2026-06-15T17:30", id="routine-saturday"),
        pytest.param("routine", "2026-06-14T10:00", "2026-06-15T17:30", id="routine-sunday"),
        pytest.param("routine", "2026-07-02T10:00", "2026-07-06T17:30", id="routine-before-a-holiday-weekend"),
        pytest.param("routine", "2026-11-25T10:00", "2026-11-27T17:30", id="routine-before-a-holiday"),
        pytest.param("routine", "2026-10-31T10:00", "2026-11-02T17:30", id="routine-over-the-change-in-autumn"),
    ],
)
def test_due_times(urgency: str, opened: str, due: str) -> None:
    found = DUE.due_at(urgency, parse_local(opened, CHICAGO), HOURS)
    assert found == parse_local(due, CHICAGO)


@pytest.mark.parametrize(
    ("instant", "is_open"),
    [
        ("2026-06-10T08:29", False),
        ("2026-06-10T08:30", True),
        ("2026-06-10T11:59", True),
        ("2026-06-10T12:00", False),
        ("2026-06-10T13:00", True),
        ("2026-06-10T17:30", False),
        ("2026-06-14T10:00", False),
        ("2026-07-03T10:00", False),
    ],
)
def test_open_means_that_somebody_is_there(instant: str, is_open: bool) -> None:
    assert HOURS.is_open(parse_local(instant, CHICAGO)) is is_open


def test_hours_are_of_the_practice_s_zone_wherever_the_patient_is() -> None:
    honolulu = ZoneInfo("Pacific/Honolulu")
    assert HOURS.is_open(parse_local("2026-06-10T06:00", honolulu))  # 11:00 in Chicago


def test_hours_written_in_any_order_are_the_same() -> None:
    turned = OpeningHours(
        by_weekday=tuple(tuple(reversed(day)) for day in HOURS.by_weekday), closed_on=HOURS.closed_on, zone=CHICAGO
    )
    at = parse_local("2026-06-10T09:00", CHICAGO)
    assert turned.closing_today(at) == HOURS.closing_today(at)
    assert turned.after_open_time(at, timedelta(hours=5)) == HOURS.after_open_time(at, timedelta(hours=5))


@pytest.mark.parametrize(("days", "due"), [(0, "2026-06-12T17:30"), (2, "2026-06-15T17:30"), (3, "2026-06-16T17:30")])
def test_a_practice_sets_how_many_working_days_a_routine_concern_has(days: int, due: str) -> None:
    found = HOURS.closing_of_working_day(parse_local("2026-06-12T09:00", CHICAGO), days)
    assert found == parse_local(due, CHICAGO)


def test_a_practice_that_is_closed_for_months_still_has_a_due_time() -> None:
    closed = OpeningHours(by_weekday=((), (), (), (), (), (), ()), closed_on=frozenset(), zone=CHICAGO)
    opened_at = parse_local("2026-06-12T09:00", CHICAGO)
    for urgency in ("emergency", "urgent", "routine"):
        assert timedelta(0) < DUE.due_at(urgency, opened_at, closed) - opened_at <= timedelta(days=1)


@given(
    minute=st.integers(0, 525_600),
    urgency=st.sampled_from(["urgent", "routine"]),
    zone=st.sampled_from(["America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"]),
)
def test_a_concern_is_due_after_it_opened_and_while_somebody_is_there(minute: int, urgency: str, zone: str) -> None:
    hours = OpeningHours(by_weekday=HOURS.by_weekday, closed_on=HOURS.closed_on, zone=ZoneInfo(zone))
    opened_at = parse_local("2026-01-01T00:00", hours.zone) + timedelta(minutes=minute)
    due_at = DUE.due_at(urgency, opened_at, hours)
    assert due_at > opened_at
    assert hours.is_open(due_at - timedelta(seconds=1))


@given(first=st.integers(0, 525_600), later=st.integers(0, 10_000))
def test_who_writes_later_is_not_answered_sooner(first: int, later: int) -> None:
    start = parse_local("2026-01-01T00:00", CHICAGO) + timedelta(minutes=first)
    for urgency in ("emergency", "routine"):
        assert DUE.due_at(urgency, start, HOURS) <= DUE.due_at(urgency, start + timedelta(minutes=later), HOURS)
