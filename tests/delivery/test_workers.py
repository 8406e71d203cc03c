"""Several workers on one database, and a database that is in trouble."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.exc import OperationalError

from reminders.clock import VirtualClock
from reminders.delivery.outgoing import Outgoing, Result
from reminders.records.database import Database
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.servers import fresh_database, open_database, postgresql
from tests.stored import NOON, add_course, messages, soaks, states, store


def test_everything_runs_twice_never_happens_with_two_dispatchers(database_url: str) -> None:
    databases = [open_database(database_url) for _ in range(2)]
    add_course(databases[0], courses=10)
    for course in range(1, 11):
        store(databases[0], *soaks(50, enrollment_id=course))
    transports = [ScriptedTransport(batch_size=7) for _ in databases]
    start = threading.Barrier(2)

    def work(database: Database, transport: ScriptedTransport) -> None:
        start.wait()
        dispatcher(database, transport).run_once()

    workers = [threading.Thread(target=work, args=pair) for pair in zip(databases, transports, strict=True)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    handed = transports[0].ids + transports[1].ids
    assert sorted(handed) == [each.id for each in messages(databases[0])]
    assert set(states(databases[0])) == {"sent"}
    for each in databases:
        each.close()


@pytest.fixture
def impatient(tmp_path: Path) -> Iterator[Database]:
    """A SQLite database whose writers give up after a moment instead of ten seconds."""
    database = open_database(fresh_database("sqlite", tmp_path))
    database.engine.dispose()

    def hurry(connection: object, _record: object) -> None:
        connection.execute("PRAGMA busy_timeout = 50")  # type: ignore[attr-defined]

    event.listen(database.engine, "connect", hurry)
    yield database
    database.close()


@contextmanager
def _locked(database: Database) -> Iterator[None]:
    other = sqlite3.connect(str(database.engine.url.database), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield
    other.close()


def test_a_database_locked_for_too_long_before_the_claim_sends_nothing(impatient: Database) -> None:
    add_course(impatient)
    store(impatient, *soaks(3))
    transport = ScriptedTransport()
    worker = dispatcher(impatient, transport)
    with _locked(impatient), pytest.raises(OperationalError, match="locked"):
        worker.run_once()
    assert transport.handed == []
    assert worker.run_once().sent == 3


def test_a_database_locked_after_the_hand_over_is_settled_by_the_next_run(impatient: Database) -> None:
    add_course(impatient)
    store(impatient, *soaks(3, in_doubt="hold"))
    lock = _locked(impatient)

    def lock_it(message: Outgoing) -> Result:
        if len(transport.handed) == 3:
            lock.__enter__()
        return accepted(message)

    transport = ScriptedTransport(lock_it)
    worker = dispatcher(impatient, transport)
    with pytest.raises(OperationalError, match="locked"):
        worker.run_once()
    lock.__exit__(None, None, None)
    assert states(impatient) == ["sending"] * 3
    assert worker.run_once().sent == 3
    assert len(transport.handed) == 3


def test_a_scheduler_is_not_dead_after_a_hiccup_when_the_link_is_cut_in_mid_claim(tmp_path: Path) -> None:
    url = fresh_database("postgresql", tmp_path)
    database = open_database(url)
    add_course(database)
    store(database, *soaks(3))
    transport = ScriptedTransport()
    worker = dispatcher(database, transport)

    def cut(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
        if statement.startswith("UPDATE message"):
            event.remove(database.engine, "before_cursor_execute", cut)
            postgresql().cut_connections(url.rpartition("/")[2])

    event.listen(database.engine, "before_cursor_execute", cut)
    with pytest.raises(OperationalError):
        worker.run_once()
    assert transport.handed == []
    assert worker.run_once().sent == 3
    database.close()


def test_a_link_to_the_database_cut_during_the_hand_over_costs_nothing(tmp_path: Path) -> None:
    url = fresh_database("postgresql", tmp_path)
    database = open_database(url)
    add_course(database)
    store(database, *soaks(3, in_doubt="hold"))

    def cut(message: Outgoing) -> Result:
        postgresql().cut_connections(url.rpartition("/")[2])
        return accepted(message)

    transport = ScriptedTransport(cut)
    assert dispatcher(database, transport).run_once().sent == 3
    assert len(transport.handed) == 3
    database.close()


def test_a_virtual_clock_and_a_server_clock_do_not_mix(tmp_path: Path) -> None:
    """The demo plays years ahead or back; a lease on PostgreSQL runs by the server's clock all the same."""
    database = open_database(fresh_database("postgresql", tmp_path))
    add_course(database)
    store(database, *soaks(3))
    other, clock = ScriptedTransport(), VirtualClock(NOON)

    def hang(message: Outgoing) -> Result:
        dispatcher(database, other, clock=clock).run_once()
        return accepted(message)

    hung = ScriptedTransport(hang)
    assert dispatcher(database, hung, clock=clock).run_once().sent == 3
    assert other.handed == []
    database.close()
