"""The forecast: what is planned, hour by hour against the pace, with its cost, and what would come too late."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from reminders.care.pacing import Limit
from reminders.desk.forecast import Terms, forecast_of, make_forecast
from reminders.records.database import Database
from reminders.records.load import PlannedMessage
from tests.counting import calls_of
from tests.databases import database, database_url
from tests.stored import NOON, add_course, row, store

__all__ = ["database", "database_url"]
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


def _message(number: int, due_at: datetime = NOON, **changes: Any) -> PlannedMessage:
    plain: dict[str, Any] = {
        "id": number,
        "enrollment_id": 1,
        "key": "soak",
        "channel": "sms",
        "importance": 3,
        "due_at": due_at,
        "useful_until": due_at + 2 * HOUR,
        "segments": 2,
        "zone": "America/Los_Angeles",
    }
    return PlannedMessage(**(plain | changes))


def test_each_hour_tells_what_is_due_what_is_sent_and_what_the_pace_allows() -> None:
    """Sixty messages an hour are 54 and a burst, and the burst is left out (see `Limit`)."""
    terms = Terms(limits={"sms": (Limit(most=60, seconds=3600),)})
    found = forecast_of([_message(n) for n in range(80)], terms, now=NOON, ends_at=NOON + DAY)
    assert [(each.starts_at, each.due, each.sent, each.most) for each in found.hours] == [
        (NOON, 80, 54, 53),
        (NOON + HOUR, 0, 26, 53),
    ]
    assert found.too_late == ()


@pytest.mark.parametrize(
    ("zone", "due", "hour"),
    [
        # IANA: half an hour and three quarters beside the hours of UTC; on Lord Howe clocks go back by half an hour.
        ("Asia/Kolkata", "2026-06-11T08:10+05:30", "2026-06-11T08:00+05:30"),
        ("America/St_Johns", "2026-06-11T08:59-02:30", "2026-06-11T08:00-02:30"),
        ("Asia/Kathmandu", "2026-06-11T08:00+05:45", "2026-06-11T08:00+05:45"),
        ("Australia/Lord_Howe", "2027-04-04T02:10+10:30", "2027-04-04T02:00+10:30"),
    ],
)
def test_an_hour_begins_when_the_practices_clock_says_so(zone: str, due: str, hour: str) -> None:
    at = datetime.fromisoformat(due)
    found = forecast_of([_message(1, at)], Terms(zone=ZoneInfo(zone)), now=at, ends_at=at + DAY)
    assert [each.starts_at for each in found.hours] == [datetime.fromisoformat(hour)]


def test_without_a_limit_what_is_due_is_sent() -> None:
    found = forecast_of([_message(n) for n in range(80)], Terms(), now=NOON, ends_at=NOON + DAY)
    assert [(each.due, each.sent, each.most) for each in found.hours] == [(80, 80, None)]


def test_what_would_come_too_late_is_named_beforehand_and_is_the_least_important() -> None:
    terms = Terms(limits={"sms": (Limit(most=60, seconds=3600),)})
    load = [_message(n, importance=2 + n % 2, useful_until=NOON + HOUR) for n in range(80)]
    found = forecast_of(load, terms, now=NOON, ends_at=NOON + DAY)
    assert len(found.too_late) == 26
    assert {each.importance for each in found.too_late} == {3}


def test_segments_and_cost_are_told_by_zone_and_an_email_has_its_own_price() -> None:
    load = [
        _message(1),
        _message(2, segments=1),
        _message(3, zone="America/New_York", channel="email", segments=0),
        _message(4, zone=None),
    ]
    terms = Terms(sms_segment=Decimal("0.01"), email=Decimal("0.001"))
    found = forecast_of(load, terms, now=NOON, ends_at=NOON + DAY)
    assert [(each.zone, each.messages, each.segments, each.cost) for each in found.zones] == [
        ("", 1, 2, Decimal("0.02")),
        ("America/Los_Angeles", 2, 3, Decimal("0.03")),
        ("America/New_York", 1, 0, Decimal("0.001")),
    ]
    assert (found.messages, found.segments, found.cost) == (4, 5, Decimal("0.051"))


def test_only_what_the_practice_has_scheduled_within_the_days_counts(database: Database) -> None:
    add_course(database)
    ids = store(
        database,
        row(1, due_at=NOON - HOUR),
        row(2, due_at=NOON + 13 * DAY),
        row(3, due_at=NOON + 15 * DAY),
        row(4, state="withheld"),
        row(5, practice_id="other"),
    )
    with database.reading() as session:
        found = make_forecast(session, "main", Terms(), now=NOON)
    assert found.messages == 2
    assert [each.starts_at for each in found.hours] == [NOON, NOON + 13 * DAY]  # what is overdue is due now
    assert found.zones[0].zone == "America/Los_Angeles"
    assert len(ids) == 5


def test_nothing_planned_is_an_empty_forecast() -> None:
    found = forecast_of([], Terms(), now=NOON, ends_at=NOON + DAY)
    assert (found.messages, found.hours, found.zones, found.too_late) == (0, (), (), ())


def test_a_message_of_a_large_practice_is_no_more_work_than_one_of_a_small_one() -> None:
    mornings = [NOON + DAY * day for day in range(4)]
    load = [_message(day * 5000 + n, at, importance=1 + n % 7) for day, at in enumerate(mornings) for n in range(3000)]
    terms = Terms(limits={"sms": (Limit(most=1, seconds=1),)})
    assert forecast_of(load, terms, now=NOON, ends_at=NOON + 4 * DAY).too_late == ()
    small = [each for each in load if each.id % 5000 < 30]

    def work(messages: list[PlannedMessage]) -> float:
        return calls_of(lambda: forecast_of(messages, terms, now=NOON, ends_at=NOON + 4 * DAY)) / len(messages)

    assert work(load) < 3 * work(small)
