"""A process killed at every step and started again: nothing lost, nothing about medicine twice."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from reminders.delivery import failpoints
from reminders.records.database import Database
from tests.delivery.worker import BATCH, dispatch, in_child
from tests.servers import fresh_database, open_database
from tests.stored import NOON, add_course, concerns, end_leases, messages, soaks, store

LATER = NOON + timedelta(minutes=10)
"""After every second try of what is sent again."""
# More of them find more; these few keep the tests quick.
KILLS = int(os.environ.get("REMINDERS_TEST_KILLS", "8"))


@pytest.fixture
def stocked(database_url: str) -> str:
    """A database in which 30 messages are due; every third is about medicine."""
    database = open_database(database_url)
    add_course(database, courses=30)
    for number in range(1, 31):
        about_medicine = number % 3 == 0
        store(
            database,
            *soaks(
                1,
                enrollment_id=number,
                key="pain_relief" if about_medicine else "warning_signs",
                in_doubt="hold" if about_medicine else "resend",
                useful_until=NOON + timedelta(hours=10),
            ),
        )
    database.close()
    return database_url


def _lines(folder: Path) -> Counter[int | None]:
    """How often each message went out, by its id."""
    lines = (folder / "messages.jsonl").read_text("utf-8").splitlines()
    return Counter(int(json.loads(line)["key"].rpartition("-")[2]) for line in lines)


def _end(child: int) -> int:
    """Wait for a process; return the signal that killed it, 0 when it ended by itself and well."""
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0


def _check(database: Database, folder: Path, *, doubts: int) -> None:
    """Nothing lost, nothing about medicine twice, at most so many in doubt and each one seen by staff."""
    went_out = _lines(folder)
    told = {each.about for each in concerns(database)}
    uncertain = 0
    for message in messages(database):
        times = went_out[message.id]
        if message.in_doubt == "hold":
            assert times <= 1
        if message.state == "uncertain":
            assert message.in_doubt == "hold"
            assert f"enrollment {message.enrollment_id}: {message.key}" in told
            uncertain += 1
        else:
            assert (message.state, times >= 1) == ("sent", True)
    assert uncertain <= doubts
    assert sum(went_out.values()) - len(went_out) <= doubts


@pytest.mark.parametrize("forgetful", [False, True], ids=["asks", "cannot-ask"])
@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("point", failpoints.OF_DISPATCH)
def test_killed_and_started_again_nothing_is_lost_and_no_dose_is_told_twice(
    stocked: str, tmp_path: Path, point: str, count: int, forgetful: bool
) -> None:
    work = {"url": stocked, "folder": tmp_path, "forgetful": forgetful}
    killed = in_child(lambda: dispatch(**work), failpoint=f"{point}:{count}")  # type: ignore[arg-type]
    assert _end(killed) == signal.SIGKILL
    database = open_database(stocked)
    end_leases(database)
    for at in (NOON, LATER):
        dispatch(stocked, tmp_path, at=at, forgetful=forgetful)
    _check(database, tmp_path, doubts=BATCH if forgetful else 0)
    in_hand = {"after-settle": 0}.get(point, BATCH) if not forgetful else BATCH
    assert sum(each.attempts > 1 for each in messages(database)) <= in_hand
    database.close()


@pytest.mark.parametrize("forgetful", [False, True], ids=["asks", "cannot-ask"])
def test_two_workers_killed_again_and_again(stocked: str, tmp_path: Path, forgetful: bool) -> None:
    random = Random(7)
    kills = 0
    for _ in range(KILLS):
        points = [f"{random.choice(failpoints.OF_DISPATCH)}:{random.randint(1, 2)}" for _ in range(2)]
        children = [
            in_child(lambda: dispatch(stocked, tmp_path, at=LATER, forgetful=forgetful), failpoint=point)
            for point in points
        ]
        kills += sum(_end(child) == signal.SIGKILL for child in children)
        database = open_database(stocked)
        end_leases(database)
        first = max(each.occurrence for each in messages(database)) + 1
        store(database, *soaks(25, first=first, in_doubt="hold", useful_until=NOON + timedelta(hours=10)))
        database.close()
    database = open_database(stocked)
    for hours in range(1, 5):
        end_leases(database)
        dispatch(stocked, tmp_path, at=NOON + timedelta(hours=hours), forgetful=forgetful)
    assert kills > KILLS / 2
    _check(database, tmp_path, doubts=BATCH * kills if forgetful else 0)
    database.close()


def test_killed_at_any_moment_the_transport_tells_what_went_out(stocked: str, tmp_path: Path) -> None:
    random = Random(time.time_ns())
    for _ in range(10):
        child = in_child(lambda: dispatch(stocked, tmp_path))
        time.sleep(random.uniform(0, 0.06))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        database = open_database(stocked)
        end_leases(database)
        database.close()
    for at in (NOON, LATER):
        dispatch(stocked, tmp_path, at=at)
    database = open_database(stocked)
    _check(database, tmp_path, doubts=0)
    database.close()


def test_the_variable_arms_a_failpoint_and_is_read_once(tmp_path: Path) -> None:
    database_url = fresh_database("sqlite", tmp_path)
    database = open_database(database_url)
    add_course(database)
    store(database, *soaks(3))
    command = [sys.executable, "-m", "tests.delivery.worker", database_url, str(tmp_path)]
    armed = {**os.environ, failpoints.VARIABLE: "after-hand-over"}
    assert subprocess.run(command, env=armed, check=False).returncode == -signal.SIGKILL
    assert [each.state for each in messages(database)] == ["sending"] * 3
    end_leases(database)
    assert subprocess.run(command, check=False).returncode == 0
    assert [each.state for each in messages(database)] == ["sent"] * 3
    database.close()
