"""A full disk, a clock that jumps, a day and a half without power: nothing lost, nothing about medicine twice."""

from __future__ import annotations

import resource
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from reminders.delivery.outgoing import Outgoing, Result
from reminders.delivery.transports.file import FileTransport
from reminders.records.database import Database
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.servers import fresh_database, open_database
from tests.stored import NOON, add_course, concerns, messages, row, soaks, states, store

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits and clocks of POSIX")
HOUR = timedelta(hours=1)


class SetClock:
    """A clock that somebody sets, also back."""

    def __init__(self, at: datetime = NOON) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


@pytest.fixture
def sqlite(tmp_path: Path) -> Iterator[Database]:
    database = open_database(fresh_database("sqlite", tmp_path))
    add_course(database)
    yield database
    database.close()


@contextmanager
def _full_disk() -> Iterator[None]:
    """Let no file grow (setrlimit(2), RLIMIT_FSIZE), as on a disk that is full; what is there may be written over."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk_before_the_claim_sends_nothing_and_later_everything(sqlite: Database) -> None:
    store(sqlite, *soaks(3, in_doubt="hold"))
    transport = ScriptedTransport()
    worker = dispatcher(sqlite, transport)
    with _full_disk(), pytest.raises(OperationalError, match=r"full|disk I/O"):
        worker.run_once()
    assert transport.handed == []
    assert worker.run_once().sent == 3
    assert sorted(transport.ids) == [1, 2, 3]


def test_a_disk_that_fills_after_the_hand_over_is_settled_once_there_is_room(sqlite: Database) -> None:
    store(sqlite, *soaks(3, in_doubt="hold"))
    full = _full_disk()

    def fill(message: Outgoing) -> Result:
        if len(transport.handed) == 3:
            full.__enter__()
        return accepted(message)

    transport = ScriptedTransport(fill)
    worker = dispatcher(sqlite, transport)
    try:
        with pytest.raises(OperationalError, match=r"full|disk I/O"):
            worker.run_once()
        with pytest.raises(OperationalError, match=r"full|disk I/O"):
            worker.run_once()
    finally:
        full.__exit__(None, None, None)
    assert worker.run_once().sent == 3
    assert len(transport.handed) == 3
    assert states(sqlite) == ["sent"] * 3


def test_a_full_disk_under_the_outbox_hands_nothing_over_and_leaves_no_torn_line(
    sqlite: Database, tmp_path: Path
) -> None:
    store(sqlite, *soaks(3))
    clock = SetClock()
    outbox = tmp_path / "outbox"
    transport = FileTransport(outbox, now=clock.now, letterheads={})

    class Full(FileTransport):
        def _append(self, lines: bytes) -> object:  # type: ignore[override]
            with _full_disk():
                return FileTransport._append(self, lines)

    full = Full(outbox, now=clock.now, letterheads={})
    assert dispatcher(sqlite, full, clock=clock).run_once().waits == 3
    assert (outbox / "messages.jsonl").read_bytes() == b""
    clock.at += timedelta(minutes=5)
    assert dispatcher(sqlite, transport, clock=clock).run_once().sent == 3
    full.close()
    transport.close()


@pytest.mark.parametrize("jump", [HOUR, -HOUR], ids=["forward", "back"])
def test_two_dispatchers_and_a_clock_set_by_an_hour_in_mid_batch_tell_no_dose_twice(
    database: Database, jump: timedelta
) -> None:
    """On SQLite a lease runs by the host's clock: set forward, the other worker takes the batch for a dead one's."""
    add_course(database)
    store(database, *soaks(6, in_doubt="hold", useful_until=NOON + 5 * HOUR))
    clock, other = SetClock(), ScriptedTransport()

    def set_clock(message: Outgoing) -> Result:
        if len(hung.handed) == 3:
            clock.at += jump
            dispatcher(database, other, clock=clock).run_once()
        return accepted(message)

    hung = ScriptedTransport(set_clock)
    dispatcher(database, hung, clock=clock).run_once()
    for _ in range(3):
        clock.at += HOUR
        dispatcher(database, other, clock=clock).run_once()
    handed = hung.ids + other.ids
    assert len(handed) == len(set(handed)) == 6
    on_sqlite = database.engine.dialect.name == "sqlite"
    if on_sqlite and jump > timedelta(0):
        assert states(database) == ["uncertain"] * 6  # sent once, and staff see that the program could not be sure
        assert len(concerns(database)) == 1
    else:
        assert states(database) == ["sent"] * 6


@pytest.mark.parametrize("jump", [HOUR, -HOUR], ids=["forward", "back"])
def test_a_clock_set_by_an_hour_between_runs_repeats_nothing_and_loses_nothing(
    database: Database, jump: timedelta
) -> None:
    add_course(database)
    store(database, *(row(n, due_at=NOON + timedelta(minutes=20 * n)) for n in range(9)))
    clock, transport = SetClock(NOON + HOUR), ScriptedTransport()
    worker = dispatcher(database, transport, clock=clock)
    worker.run_once()
    clock.at += jump
    worker.run_once()
    clock.at = NOON + 3 * HOUR
    worker.run_once()
    assert sorted(transport.ids) == list(range(1, 10))
    assert states(database) == ["sent"] * 9


def test_after_36_hours_without_power_what_is_stale_goes_to_staff_and_the_rest_goes_out_in_order(
    database: Database,
) -> None:
    add_course(database)
    hours = range(1, 37)
    store(
        database,
        *(
            row(n, due_at=NOON + n * HOUR, useful_until=NOON + (n + (4 if n % 2 else 48)) * HOUR, importance=1 + n % 3)
            for n in hours
        ),
        row(99, due_at=NOON + 20 * HOUR, useful_until=NOON + 21 * HOUR, required=False, key="tip"),
    )
    transport = ScriptedTransport()
    back = NOON + 36 * HOUR
    report = dispatcher(database, transport, clock=SetClock(back), quiet=()).run_once()
    stored = {each.id: each for each in messages(database)}
    stale = [each for each in stored.values() if each.useful_until < back]
    assert {each.state for each in stale} == {"withheld"}
    assert report.withheld == len(stale) == 17  # the odd hours up to 31, and the tip
    assert report.sent == 20
    (told,) = concerns(database)  # one about this instruction, not one for every hour
    assert told.summary.startswith("soak was not sent: no longer useful after")
    went = [(stored[each].importance, stored[each].useful_until) for each in transport.ids]
    assert went == sorted(went)
