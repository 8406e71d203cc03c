"""A way out that is broken: tried now and then, staff told once, and back to work when it is back."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

import pytest

from reminders.clock import VirtualClock
from reminders.delivery import breaker
from reminders.delivery.dispatcher import Dispatcher
from reminders.delivery.outgoing import Outgoing, Result
from reminders.errors import Away, InDoubt, Refused, Throttled, Unreachable
from reminders.records.database import Database
from reminders.records.queue_health import HEALTHY
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.stored import NOON, add_course, concerns, messages, row, soaks, states, store

SECOND = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


class _Gateway:
    """Can be reached or not, as the test says."""

    def __init__(self, failure: Result | None) -> None:
        self.failure = failure
        self.transport = ScriptedTransport(self._answer, batch_size=2)

    def _answer(self, message: Outgoing) -> Result:
        return self.failure or accepted(message)

    @property
    def tries(self) -> int:
        return len(self.transport.handed)


def _play(worker: Dispatcher, clock: VirtualClock, until: datetime) -> None:
    """Go on in time as the worker says."""
    while (moment := worker.next_at()) is not None and moment <= until:
        clock.move_to(max(clock.now() + SECOND, moment))
        worker.run_once()
    clock.move_to(max(until, clock.now()))


@pytest.fixture
def stocked(database: Database) -> Database:
    """A hundred messages that are due and of use for three hours."""
    add_course(database)
    store(database, *soaks(100, useful_until=NOON + 3 * HOUR))
    return database


@pytest.mark.parametrize("failure", [Away("down"), InDoubt("no answer")], ids=["away", "no-answer"])
def test_a_broken_way_out_is_not_tried_with_every_message(stocked: Database, failure: Result) -> None:
    gateway, clock = _Gateway(failure), VirtualClock(NOON)
    worker = dispatcher(stocked, gateway.transport, clock=clock)
    worker.run_once()
    assert gateway.tries == 4  # two batches of two; the third failure broke it
    assert worker.run_once().total == 0
    _play(worker, clock, NOON + HOUR)
    assert 30 <= gateway.tries <= 100  # one message at a time, half a minute to two minutes apart


def test_staff_are_told_once_and_only_when_it_lasts(stocked: Database) -> None:
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    worker = dispatcher(stocked, gateway.transport, clock=clock)
    worker.run_once()
    _play(worker, clock, NOON + breaker.STAFF_ARE_TOLD_AFTER - SECOND)
    assert concerns(stocked) == []
    _play(worker, clock, NOON + 2 * HOUR)
    (concern,) = concerns(stocked)
    assert (concern.about, concern.urgency, concern.patient_id) == ("way out: sms", "urgent", None)
    assert "No SMS can be sent" in concern.summary


def test_what_becomes_useless_meanwhile_is_withheld_in_time_and_adds_no_concern(database: Database) -> None:
    add_course(database, courses=20)
    ends = NOON + 10 * MINUTE
    store(database, *(row(1, enrollment_id=number, useful_until=ends) for number in range(1, 21)))
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    worker = dispatcher(database, gateway.transport, clock=clock)
    while clock.now() <= ends + 10 * SECOND:  # as often as the program looks by itself, and a little less
        worker.run_once()
        clock.advance(5 * SECOND)
    assert states(database) == ["withheld"] * 20
    assert max(each.settled_at or NOON for each in messages(database)) <= ends + 6 * SECOND
    assert [each.about for each in concerns(database)] == ["way out: sms"]


@pytest.mark.parametrize("answer", [Throttled("quota"), Unreachable("busy")], ids=["too fast", "later"])
def test_a_gateway_that_answers_and_takes_nothing_is_told_once_too(database: Database, answer: Result) -> None:
    add_course(database, courses=6)
    ends = NOON + 20 * MINUTE
    store(database, *(row(1, enrollment_id=number, useful_until=ends) for number in range(1, 7)))
    gateway, clock = _Gateway(answer), VirtualClock(NOON)
    worker = dispatcher(database, gateway.transport, clock=clock)
    while clock.now() < NOON + breaker.PUT_OFF_FOR:
        worker.run_once()
        clock.advance(20 * SECOND)
    assert concerns(database) == []
    while clock.now() <= ends + MINUTE:
        worker.run_once()
        clock.advance(20 * SECOND)
    assert states(database) == ["withheld"] * 6
    assert [(each.about, each.urgency) for each in concerns(database)] == [("way out: sms", "urgent")]


def test_what_is_taken_at_last_counts_from_the_start_again(database: Database) -> None:
    add_course(database)
    store(database, *soaks(6, useful_until=NOON + HOUR))
    gateway, clock = _Gateway(Unreachable("busy")), VirtualClock(NOON)
    worker = dispatcher(database, gateway.transport, clock=clock)
    worker.run_once()
    _play(worker, clock, NOON + 9 * MINUTE)
    store(database, row(7, importance=1, useful_until=NOON + HOUR))
    gateway.failure = None
    worker.run_once(limit=1)
    gateway.failure = Unreachable("busy")
    _play(worker, clock, NOON + 18 * MINUTE)
    assert concerns(database) == []


def test_a_few_full_mailboxes_are_no_broken_way(database: Database) -> None:
    add_course(database)
    store(database, *soaks(breaker.PUT_OFF_AT_LEAST - 1, useful_until=NOON + 4 * HOUR))
    gateway, clock = _Gateway(Unreachable("mailbox full")), VirtualClock(NOON)
    _play(dispatcher(database, gateway.transport, clock=clock), clock, NOON + 3 * HOUR)
    assert gateway.tries > breaker.PUT_OFF_AT_LEAST
    assert concerns(database) == []


def test_when_it_is_back_the_rest_goes_out_at_full_pace(stocked: Database) -> None:
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    worker = dispatcher(stocked, gateway.transport, clock=clock)
    worker.run_once()
    _play(worker, clock, NOON + HOUR)
    gateway.failure = None
    _play(worker, clock, NOON + HOUR + 3 * MINUTE)
    assert states(stocked).count("sent") >= 60  # some that were tried wait for their own next try
    _play(worker, clock, NOON + 2 * HOUR)
    assert set(states(stocked)) == {"sent"}


def test_it_is_told_anew_when_it_breaks_anew_and_the_concern_was_closed(stocked: Database) -> None:
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    worker = dispatcher(stocked, gateway.transport, clock=clock)
    worker.run_once()
    _play(worker, clock, NOON + 10 * MINUTE)
    gateway.failure = None
    clock.advance(3 * MINUTE)
    worker.run_once(limit=1)
    with stocked.writing() as session:
        for concern in concerns(stocked):
            concern.state = "closed"
            session.merge(concern)
    gateway.failure = Away("down")
    worker.run_once()
    _play(worker, clock, NOON + 2 * HOUR)
    assert [each.state for each in concerns(stocked)].count("open") == 1


def test_other_workers_and_a_new_start_know_of_it(stocked: Database) -> None:
    """`run --once` from a timer is a new worker every time, so the state is in the database."""
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    dispatcher(stocked, gateway.transport, clock=clock).run_once()
    tries = gateway.tries
    assert dispatcher(stocked, gateway.transport, clock=clock).run_once().total == 0
    clock.advance(30 * SECOND)
    workers = [dispatcher(stocked, gateway.transport, clock=clock) for _ in range(3)]
    for worker in workers:
        worker.run_once()
    assert gateway.tries == tries + 1  # one of them tried


@pytest.mark.parametrize("failure", [Refused("policy"), Unreachable("mailbox full")], ids=["refused", "later"])
def test_what_is_wrong_with_single_messages_is_no_broken_way(stocked: Database, failure: Result) -> None:
    gateway = _Gateway(failure)
    dispatcher(stocked, gateway.transport).run_once()
    assert gateway.tries == 100


def test_a_way_out_that_refuses_everything_is_one_concern(database: Database) -> None:
    add_course(database, courses=32)
    store(database, *(row(1, enrollment_id=number) for number in range(1, 31)))
    gateway = _Gateway(Refused("account closed"))
    worker = dispatcher(database, gateway.transport)
    worker.run_once()
    assert states(database) == ["failed"] * 30
    about = [each.about for each in concerns(database)]
    assert len(about) <= breaker.REFUSALS_IN_A_ROW
    assert about.count("refused: sms") == 1
    store(database, row(1, enrollment_id=31))
    gateway.failure = None
    worker.run_once()
    store(database, row(1, enrollment_id=32))
    gateway.failure = Refused("policy")
    worker.run_once()
    assert "enrollment 32: soak" in [each.about for each in concerns(database)]


def test_one_channel_that_is_broken_leaves_the_other_alone(stocked: Database) -> None:
    store(stocked, *soaks(5, first=200, channel="email", address="robin@example.org", subject="Soak"))
    worker = dispatcher(
        stocked, ScriptedTransport(lambda each: Away("down") if each.channel == "sms" else accepted(each))
    )
    worker.run_once()
    assert [each.state for each in messages(stocked) if each.channel == "email"] == ["sent"] * 5


def test_an_emergency_answer_goes_out_with_the_next_try(stocked: Database) -> None:
    gateway, clock = _Gateway(Away("down")), VirtualClock(NOON)
    worker = dispatcher(stocked, gateway.transport, clock=clock)
    worker.run_once()
    (urgent,) = store(stocked, row(300, importance=1, useful_until=NOON + HOUR))
    gateway.failure = None
    _play(worker, clock, NOON + MINUTE)
    assert gateway.transport.ids[4] == urgent


def test_pauses_grow_up_to_two_minutes_and_differ_from_worker_to_worker() -> None:
    health, now, pauses = HEALTHY, NOON, list[timedelta]()
    for _ in range(8):
        health = breaker.broke(health, now, Random(1))
        assert health.retry_at is not None
        pauses.append(health.retry_at - now)
        now = health.retry_at
    assert pauses[0] <= breaker.FIRST_PAUSE
    assert pauses == sorted(pauses)
    assert breaker.LONGEST_PAUSE / 2 <= pauses[-1] <= breaker.LONGEST_PAUSE
    assert len({(breaker.broke(HEALTHY, NOON, Random(seed))).retry_at for seed in range(9)}) == 9


def test_a_clock_set_back_an_hour_does_not_block_for_an_hour() -> None:
    health = breaker.complained(breaker.broke(HEALTHY, NOON, Random(1)), NOON)
    assert breaker.blocked_until(health, NOON) is not None
    assert breaker.blocked_until(health, NOON - HOUR) is None
    assert breaker.slowness(health, NOON - HOUR) == 2
