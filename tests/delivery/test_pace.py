"""A rush under a limit: never more than may leave, nothing misses its time that need not, whoever works on it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reminders.care.pacing import Limit, Waiting, foresee
from reminders.clock import SystemClock, VirtualClock
from reminders.delivery.dispatcher import Dispatcher
from reminders.delivery.outgoing import Outgoing, Result
from reminders.errors import Throttled
from reminders.records.database import Database
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.servers import fresh_database, open_database, postgresql, shared_postgresql_database
from tests.stored import NOON, add_course, concerns, messages, row, soaks, states, store

MINUTE = timedelta(minutes=1)
LIMITS = {"sms": (Limit(most=3, seconds=60), Limit(most=60, seconds=3600))}
PER_MINUTE = {"sms": (Limit(most=3, seconds=60),)}


class _Noting(ScriptedTransport):
    """Notes by a virtual clock when each message is handed over."""

    def __init__(self, clock: VirtualClock, handed: list[datetime]) -> None:
        super().__init__(self._take, batch_size=10)
        self._clock = clock
        self._moments = handed

    def _take(self, message: Outgoing) -> Result:
        self._moments.append(self._clock.now())
        return accepted(message)


def _play(workers: Iterable[Dispatcher], clock: VirtualClock) -> None:
    """Let workers take turns, going on in time as each says."""
    queue = list(workers)
    while (moments := [at for each in queue if (at := each.next_at()) is not None]) != []:
        clock.move_to(max(min(moments), clock.now()))
        for each in queue:
            each.run_once()
        clock.advance(timedelta(seconds=1))


def _most_in(window: timedelta, moments: list[datetime]) -> int:
    return max((sum(start <= at < start + window for at in moments) for start in moments), default=0)


_LOADS = st.lists(
    st.tuples(
        st.integers(min_value=1, max_value=5),
        st.integers(min_value=0, max_value=40),
        st.integers(min_value=1, max_value=60),
    ),
    min_size=1,
    max_size=45,
)


def _rush(database: Database, drawn: list[tuple[int, int, int]]) -> list[Waiting]:
    """Store messages that are due and of use at these minutes."""
    rows = [
        row(at, importance=importance, due_at=NOON + due * MINUTE, useful_until=NOON + (due + useful) * MINUTE)
        for at, (importance, due, useful) in enumerate(drawn)
    ]
    ids = store(database, *rows)
    pairs = zip(ids, rows, strict=True)
    return [Waiting(each, one["importance"], one["due_at"], one["useful_until"]) for each, one in pairs]


def _two_workers_meet(database: Database, drawn: list[tuple[int, int, int]]) -> None:
    add_course(database)
    load = _rush(database, drawn)
    clock, handed = VirtualClock(NOON), list[datetime]()
    _play((dispatcher(database, _Noting(clock, handed), clock=clock, limits=LIMITS) for _ in range(2)), clock)
    foreseen = foresee(load, limits=LIMITS["sms"])
    found = messages(database)
    assert {each.state for each in found} <= {"sent", "withheld"}
    assert all(each.handed_at <= each.useful_until for each in found if each.state == "sent" and each.handed_at)
    for limit in LIMITS["sms"]:
        assert _most_in(timedelta(seconds=limit.seconds), handed) <= limit.most
    assert sum(each.state == "withheld" for each in found) <= len(foreseen.missed)


@given(_LOADS)
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_nothing_is_late_that_was_not_foreseen_and_no_limit_is_exceeded_on_sqlite(
    tmp_path: Path, drawn: list[tuple[int, int, int]]
) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    _two_workers_meet(database, drawn)
    database.close()


@given(_LOADS)
@settings(max_examples=5)
def test_nothing_is_late_that_was_not_foreseen_and_no_limit_is_exceeded_on_postgresql(
    drawn: list[tuple[int, int, int]],
) -> None:
    name = shared_postgresql_database()
    database = open_database(postgresql().url(name))
    try:
        _two_workers_meet(database, drawn)
    finally:
        database.close()
        postgresql().empty(name)


def test_the_rush_after_quiet_hours_is_spread_and_nothing_misses_its_time(database: Database) -> None:
    """Sixty that are due at once; the unimportant are of use for the shortest time."""
    add_course(database)
    drawn = [(5, 0, 12)] * 30 + [(2, 0, 60)] * 30
    load = _rush(database, drawn)
    assert foresee(load, limits=PER_MINUTE["sms"]).missed == ()
    clock, handed = VirtualClock(NOON), list[datetime]()
    _play([dispatcher(database, _Noting(clock, handed), clock=clock, limits=PER_MINUTE)], clock)
    assert set(states(database)) == {"sent"}
    assert handed[-1] - handed[0] >= 15 * MINUTE


def test_two_workers_with_real_clocks_keep_the_limit(database_url: str) -> None:
    databases = [open_database(database_url) for _ in range(2)]
    now = SystemClock().now()
    add_course(databases[0], at=now)
    store(databases[0], *soaks(60, due_at=now))
    handed: list[float] = []

    def take(message: Outgoing) -> Result:
        handed.append(time.monotonic())
        return accepted(message)

    limits = {"sms": (Limit(most=20, seconds=1),)}
    workers = [
        dispatcher(each, ScriptedTransport(take), clock=SystemClock(), quiet=(), limits=limits) for each in databases
    ]

    def work(worker: Dispatcher) -> None:
        while worker.next_at() is not None:
            worker.run_once()
            worker.pause(at_most=timedelta(milliseconds=50), idle=True)

    threads = [threading.Thread(target=work, args=(each,)) for each in workers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(handed) == 60
    # Claims keep the limit exactly; from claim to hand-over a busy machine may take a while.
    assert max(sum(start <= at < start + 1 for at in handed) for start in handed) <= 25
    for each in databases:
        each.close()


def test_a_claim_is_reckoned_from_when_its_turn_came(tmp_path: Path) -> None:
    """From before it, others would find the sender free earlier than it is."""
    database, clock = open_database(fresh_database("sqlite", tmp_path)), VirtualClock(NOON)
    add_course(database)
    store(database, row())
    waiting = threading.Thread(target=dispatcher(database, ScriptedTransport(), clock=clock, limits=LIMITS).run_once)
    with database.writing():
        waiting.start()
        time.sleep(0.2)  # by then it waits for its turn
        clock.advance(MINUTE)
    waiting.join()
    assert messages(database)[0].handed_at == NOON + MINUTE
    database.close()


def test_a_channel_without_a_limit_is_not_held_back(database: Database) -> None:
    add_course(database)
    store(database, *soaks(20, channel="email", address="robin@example.org", subject="Soak"))
    assert dispatcher(database, ScriptedTransport(), limits=LIMITS).run_once().sent == 20


def test_what_is_of_no_use_any_more_waits_for_no_turn(database: Database) -> None:
    add_course(database)
    store(database, *soaks(9, due_at=NOON - 3 * MINUTE, useful_until=NOON - MINUTE), row(99))
    worker = dispatcher(database, ScriptedTransport(), clock=VirtualClock(NOON), limits=PER_MINUTE)
    worker.run_once()
    assert states(database) == ["withheld"] * 9 + ["sent"]


def test_a_gateway_that_finds_us_too_fast_slows_all_workers_and_costs_no_message_its_turn(database: Database) -> None:
    add_course(database)
    store(database, *soaks(4))
    clock = VirtualClock(NOON)
    hasty = ScriptedTransport(lambda _: Throttled("too fast"))
    other = ScriptedTransport()
    assert dispatcher(database, hasty, clock=clock).run_once().waits == 4
    assert [(each.due_at, each.attempts, each.state) for each in messages(database)] == [(NOON, 0, "scheduled")] * 4
    worker = dispatcher(database, other, clock=clock)
    assert worker.run_once().total == 0
    assert worker.next_at() == NOON + timedelta(seconds=1)
    clock.advance(timedelta(seconds=1))
    assert worker.run_once().sent == 4
    assert concerns(database) == []


def test_complaints_halve_the_pace_and_it_comes_back(database: Database) -> None:
    add_course(database)
    limits = {"sms": (Limit(most=60, seconds=60),)}
    store(database, *soaks(400, useful_until=NOON + timedelta(hours=3)))
    clock, complains = VirtualClock(NOON), [True]

    def answer(message: Outgoing) -> Result:
        return Throttled("too fast") if complains[0] else accepted(message)

    worker = dispatcher(database, ScriptedTransport(answer), clock=clock, limits=limits)

    def sent_in_a_minute() -> int:
        before = states(database).count("sent")
        for _ in range(20):
            worker.run_once()
            clock.advance(timedelta(seconds=3))
        return states(database).count("sent") - before

    for _ in range(3):
        worker.run_once()
        clock.advance(timedelta(seconds=10))
    complains[0] = False
    rates = [sent_in_a_minute() for _ in range(5)]
    assert max(rates[:2]) < 20
    assert rates[1:] == sorted(rates[1:])
    assert 50 <= rates[-1] <= 60
