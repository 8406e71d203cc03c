"""Recurring jobs: run on time, one at a time, through failures, and to a clean end."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from reminders.clock import SystemClock
from reminders.delivery.outgoing import Outgoing, Result
from reminders.delivery.runner import RecurringJob, Runner, dispatch_job
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.servers import fresh_database, open_database
from tests.stored import add_course, messages, row, soaks, states, store
from tests.waiting import until

SOON = timedelta(milliseconds=20)


def test_a_job_runs_at_once_and_again_and_again() -> None:
    runs: list[int] = []
    runner = Runner([RecurringJob(name="count", every=SOON, run=lambda: runs.append(1))])
    runner.start()
    until(lambda: len(runs) >= 3)
    runner.close()
    done = len(runs)
    time.sleep(0.1)
    assert len(runs) == done


def test_a_job_that_failed_runs_again_and_leaves_a_record(caplog: pytest.LogCaptureFixture) -> None:
    runs: list[int] = []

    def fail_once() -> None:
        runs.append(1)
        if len(runs) == 1:
            raise OSError("invented")

    runner = Runner([RecurringJob(name="fails", every=SOON, run=fail_once)])
    runner.start()
    until(lambda: len(runs) >= 2)
    runner.close()
    assert [(each.message, each.levelno) for each in caplog.records] == [("job_failed", logging.ERROR)]


def test_a_job_never_runs_beside_itself_but_others_do() -> None:
    inside, most, others = threading.Semaphore(1), [0], [0]

    def slow() -> None:
        assert inside.acquire(blocking=False)
        most[0] += 1
        time.sleep(0.1)
        inside.release()

    def other() -> None:
        others[0] += 1

    jobs = [RecurringJob(name="slow", every=SOON, run=slow), RecurringJob(name="other", every=SOON, run=other)]
    runner = Runner(jobs)
    runner.start()
    until(lambda: most[0] >= 3)
    runner.close()
    assert others[0] >= most[0]


def test_one_wake_up_after_many_missed_runs_is_one_run() -> None:
    begun: list[float] = []

    def slow_at_first() -> None:
        begun.append(time.monotonic())
        if len(begun) == 1:
            time.sleep(1.5)  # longer than the second of grace that the library gives by default

    runner = Runner([RecurringJob(name="naps", every=timedelta(milliseconds=50), run=slow_at_first)])
    runner.start()
    until(lambda: len(begun) >= 4)
    runner.close()
    assert begun[3] - begun[1] >= 0.05  # the thirty that were missed did not run in a row


def test_a_job_is_brought_forward_to_the_moment_it_asks_for() -> None:
    runs: list[datetime] = []

    def run() -> datetime:
        runs.append(datetime.now(UTC))
        return runs[0] + timedelta(milliseconds=300)

    runner = Runner([RecurringJob(name="wakes", every=timedelta(hours=1), run=run)])
    runner.start()
    until(lambda: len(runs) >= 2)  # or it would have waited for its hour
    runner.close()
    assert runs[1] - runs[0] >= timedelta(milliseconds=300)


def test_closing_lets_the_batch_in_hand_end_and_claims_no_other(tmp_path: Path) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    now = datetime.now(UTC)
    add_course(database, at=now)
    store(database, *soaks(30, due_at=now))
    begun = threading.Event()

    def slow(message: Outgoing) -> Result:
        begun.set()
        time.sleep(0.02)
        return accepted(message)

    transport = ScriptedTransport(slow, batch_size=10)
    runner = Runner([dispatch_job(dispatcher(database, transport, clock=SystemClock(), quiet=()))])
    runner.start()
    begun.wait()
    runner.close()
    assert len(transport.handed) == 10
    assert states(database) == ["sent"] * 10 + ["scheduled"] * 20
    database.close()


def test_a_message_goes_out_when_it_is_due_and_not_when_the_poll_finds_it(tmp_path: Path) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    now = datetime.now(UTC)
    add_course(database, at=now)
    store(database, *(row(n, due_at=now + timedelta(milliseconds=400 + 50 * n)) for n in range(10)))
    worker = dispatcher(database, ScriptedTransport(), clock=SystemClock(), quiet=())
    runner = Runner([dispatch_job(worker, every=timedelta(hours=1))])
    runner.start()
    until(lambda: states(database) == ["sent"] * 10)  # the next poll is an hour away
    runner.close()
    assert all(each.handed_at is not None and each.handed_at >= each.due_at for each in messages(database))
    database.close()


def test_two_runners_on_one_database_send_everything_once(tmp_path: Path) -> None:
    url = fresh_database("sqlite", tmp_path)
    databases = [open_database(url) for _ in range(2)]
    now = datetime.now(UTC)
    add_course(databases[0], at=now)
    store(databases[0], *soaks(60, due_at=now))
    transports = [ScriptedTransport(batch_size=5) for _ in databases]
    runners = [
        Runner([dispatch_job(dispatcher(database, transport, clock=SystemClock(), quiet=()))])
        for database, transport in zip(databases, transports, strict=True)
    ]
    for runner in runners:
        runner.start()
    until(lambda: states(databases[0]) == ["sent"] * 60)
    for runner in runners:
        runner.close()
    assert len(transports[0].ids + transports[1].ids) == 60
    for database in databases:
        database.close()


_PROGRAM = """
import sys, time
from datetime import timedelta
from reminders.delivery.runner import RecurringJob, Runner

def slow():
    print("begun", flush=True)
    time.sleep(0.5)
    print("ended", flush=True)

Runner([RecurringJob(name="slow", every=timedelta(hours=1), run=slow)]).run()
print("clean", flush=True)
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_lets_what_is_in_hand_end(number: signal.Signals) -> None:
    program = subprocess.Popen([sys.executable, "-c", _PROGRAM], stdout=subprocess.PIPE, text=True, env={**os.environ})
    assert program.stdout is not None
    assert program.stdout.readline() == "begun\n"
    program.send_signal(number)
    rest, _ = program.communicate(timeout=30)
    assert (rest, program.returncode) == ("ended\nclean\n", 0)


def test_signals_are_as_before_after_a_run() -> None:
    before = [signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)]

    def end() -> None:
        runner.stop()

    runner = Runner([RecurringJob(name="ends", every=timedelta(hours=1), run=end)])
    runner.run()
    assert [signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)] == before


def test_what_another_process_stores_goes_out_before_the_next_look(database_url: str) -> None:
    here, there = open_database(database_url), open_database(database_url)
    add_course(here, at=datetime.now(UTC))
    transport = ScriptedTransport()
    worker = dispatcher(here, transport, clock=SystemClock(), quiet=())
    runner = Runner([dispatch_job(worker, every=timedelta(minutes=5))])
    runner.start()
    for number in range(1, 6):
        time.sleep(0.1)  # it has nothing to do and waits
        store(there, row(number, due_at=datetime.now(UTC)))
        until(lambda wanted=number: len(transport.handed) == wanted)  # type: ignore[misc]
    runner.close()
    worker.close()
    for each in (here, there):
        each.close()
