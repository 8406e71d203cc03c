"""Waking a worker: by what others commit, from any connection, and by nothing else."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy.exc import IntegrityError

from reminders.records.database import Database
from reminders.records.wakeups import Wakeups, wakeups_of
from tests.servers import open_database, postgresql
from tests.stored import NOON, add_course, row, store


@pytest.fixture
def stocked(database_url: str) -> Iterator[Database]:
    database = open_database(database_url)
    add_course(database)
    yield database
    database.close()


@pytest.fixture
def wakeups(stocked: Database, database_url: str) -> Iterator[Wakeups]:
    """As another process has them."""
    other = open_database(database_url)
    found = wakeups_of(other.engine, ["main"])
    yield found
    found.close()
    other.close()


def test_what_was_stored_since_the_mark_wakes_at_once(stocked: Database, wakeups: Wakeups) -> None:
    wakeups.mark()
    store(stocked, row())
    assert wakeups.wait(0.5)


def test_what_is_stored_during_the_wait_ends_it(stocked: Database, wakeups: Wakeups) -> None:
    wakeups.mark()
    later = threading.Timer(0.2, store, (stocked, row()))
    later.start()
    assert wakeups.wait(60)
    later.join()


def test_nothing_new_is_no_wakeup(stocked: Database, wakeups: Wakeups) -> None:
    store(stocked, row())
    wakeups.mark()
    with stocked.reading():
        pass
    began = time.monotonic()
    assert not wakeups.wait(0.1)
    assert time.monotonic() - began >= 0.1


def test_an_interrupted_wait_ends_soon_and_later_ones_at_once(wakeups: Wakeups) -> None:
    wakeups.mark()
    threading.Timer(0.1, wakeups.interrupt).start()
    began = time.monotonic()
    assert not wakeups.wait(20)
    assert not wakeups.wait(20)
    assert time.monotonic() - began < 5


def _on_postgresql(database: Database) -> bool:
    return database.engine.dialect.name == "postgresql"


def test_a_server_announces_what_is_due_soon_of_the_practice_served(stocked: Database, wakeups: Wakeups) -> None:
    """A SQLite file is looked at as a whole: a wakeup too many costs one look into an index."""
    later = NOON + timedelta(days=3650)
    for stored in (row(due_at=later), row(2, practice_id="other"), row(3, state="withheld")):
        wakeups.mark()
        store(stocked, stored)
        assert wakeups.wait(0.1) != _on_postgresql(stocked)


def test_what_was_taken_back_wakes_nobody(stocked: Database, wakeups: Wakeups) -> None:
    wakeups.mark()
    with pytest.raises(IntegrityError):
        store(stocked, row(1), row(1))
    assert not wakeups.wait(0.1)


def test_a_listener_whose_link_was_cut_waits_and_then_hears_again(stocked: Database, wakeups: Wakeups) -> None:
    wakeups.mark()
    if _on_postgresql(stocked):
        postgresql().cut_connections(str(stocked.engine.url.database))
        began = time.monotonic()
        assert not wakeups.wait(0.3)
        assert time.monotonic() - began >= 0.25  # it must not spin
    wakeups.mark()
    store(stocked, row())
    assert wakeups.wait(0.5)
