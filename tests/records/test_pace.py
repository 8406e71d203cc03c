"""Messages a second and a minute: never more in any window, nearly as many as may be, over all workers."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from reminders.care.pacing import Limit
from reminders.records.database import Database
from reminders.records.outbox import Queue
from reminders.records.pace import Pace, spend, take_allowance
from tests.servers import fresh_database, open_database
from tests.stored import NOON
from tests.waiting import until

SECOND = timedelta(seconds=1)


def _claim(database: Database, pace: Pace, now: datetime, wanted: int) -> int:
    with database.writing() as session:
        return _claim_in(session, pace, now, wanted)


def _claim_in(session: Session, pace: Pace, now: datetime, wanted: int) -> int:
    most = take_allowance(session, pace, now=now, wanted=wanted).most
    spend(session, pace, most, now=now)
    return most


def _pace(*limits: tuple[int, int], channel: str = "sms", slowness: int = 1) -> Pace:
    found = tuple(Limit(most=most, seconds=window) for most, window in limits)
    return Pace(queue=Queue("main", channel), limits=found, slowness=slowness)


@pytest.fixture
def file(tmp_path: Path) -> Iterator[Database]:
    database = open_database(fresh_database("sqlite", tmp_path))
    yield database
    database.close()


def test_a_wait_ends_when_the_next_one_may_go(file: Database) -> None:
    pace = _pace((1, 1))
    assert _claim(file, pace, NOON, 10) == 1
    with file.writing() as session:
        assert take_allowance(session, pace, now=NOON + SECOND / 4, wanted=10) == (0, SECOND * 3 / 4)
    assert _claim(file, pace, NOON + SECOND, 10) == 1


_STEPS = st.lists(
    st.tuples(st.integers(min_value=0, max_value=700), st.integers(min_value=1, max_value=40)), min_size=1, max_size=40
)


@given(most=st.integers(min_value=1, max_value=60), per_minute=st.integers(min_value=1, max_value=300), steps=_STEPS)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_window_ever_holds_more_than_its_limit(
    file: Database, most: int, per_minute: int, steps: list[tuple[int, int]]
) -> None:
    pace = _pace((most, 1), (per_minute, 60), channel=f"{most}-{per_minute}-{hash(tuple(steps))}")
    now, claims = NOON, list[tuple[datetime, int]]()
    for milliseconds, wanted in steps:
        now += timedelta(milliseconds=milliseconds)
        claims.append((now, _claim(file, pace, now, wanted)))
    for limit in pace.limits:
        for start, _ in claims:
            end = start + timedelta(seconds=limit.seconds)
            assert sum(count for at, count in claims if start <= at < end) <= limit.most


def test_a_full_second_lets_at_least_nine_tenths_through(file: Database) -> None:
    moments = (NOON + timedelta(milliseconds=20 * step) for step in range(250))
    assert sum(_claim(file, _pace((50, 1)), now, 50) for now in moments) >= 225


def test_a_queue_that_was_slowed_down_lets_as_much_less_through(file: Database) -> None:
    moments = (NOON + timedelta(milliseconds=20 * step) for step in range(250))
    assert 45 <= sum(_claim(file, _pace((50, 1), slowness=4), now, 50) for now in moments) <= 70


def test_a_clock_set_back_an_hour_does_not_stop_the_sender(file: Database) -> None:
    pace = _pace((1, 1))
    assert _claim(file, pace, NOON, 1) == 1
    back = NOON - timedelta(hours=1)
    assert sum(_claim(file, pace, back + SECOND * step, 1) for step in range(5)) >= 4


def test_senders_do_not_hold_each_other_back(file: Database) -> None:
    assert _claim(file, _pace((1, 1)), NOON, 5) == 1
    assert _claim(file, _pace((1, 1), channel="email"), NOON, 5) == 1


def _now() -> datetime:
    return datetime.now(UTC)


def _steady() -> datetime:
    return NOON + timedelta(seconds=time.monotonic())


def test_workers_share_one_pace_by_the_clock_they_share(database: Database) -> None:
    """On PostgreSQL that is the server's, which is this machine's: here the workers' own clocks are an hour apart."""
    pace = _pace((20, 1))
    claimed: list[int] = []
    enough = threading.Event()
    on_postgresql = database.engine.dialect.name == "postgresql"
    clock = _now if on_postgresql else _steady

    def work(skew: timedelta) -> None:
        while not enough.wait(0.005):
            with database.writing() as session:  # the time is read once the turn has come, as long as that takes
                claimed.append(_claim_in(session, pace, clock() + skew, 3))

    skews = (timedelta(0), timedelta(hours=1) if on_postgresql else timedelta(0))
    workers = [threading.Thread(target=work, args=(skew,)) for skew in skews]
    began = clock()
    for worker in workers:
        worker.start()
    try:
        until(lambda: sum(claimed) > 20)
        took = clock() - began
    finally:
        enough.set()
        for worker in workers:
            worker.join()
    assert took >= SECOND
