"""The failover drill: a primary with a synchronous standby dies in the middle of dispatching, and workers go on."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator

import pytest
from sqlalchemy.exc import SQLAlchemyError

from reminders.delivery.outgoing import Outgoing, Result
from reminders.records.database import Database
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.servers import PostgreSQLServer, migrate, open_database
from tests.stored import add_course, messages, soaks, store

COUNT = 400
LEAST = 60
"""Messages handed over when the primary dies; a few batches of each worker are settled then."""


@pytest.fixture
def pair() -> Iterator[tuple[PostgreSQLServer, PostgreSQLServer]]:
    """A primary whose commits wait until the standby has them on its disk as well, and that standby."""
    primary = PostgreSQLServer(fsync="on")
    standby = PostgreSQLServer(follows=primary, fsync="on")
    primary.ask("ALTER SYSTEM SET synchronous_standby_names = '*'")
    primary.ask("SELECT pg_reload_conf()")
    yield primary, standby
    standby.stop()
    primary.stop()


def _address(*servers: PostgreSQLServer) -> str:
    hosts = "&".join(f"host=127.0.0.1:{server.port}" for server in servers)
    return f"postgresql+psycopg://tests@/practice?{hosts}&target_session_attrs=read-write"


def _go_on(database: Database, transport: ScriptedTransport, all_sent: threading.Event) -> None:
    """Dispatch as a worker's runner does: whatever fails is tried again, by the same worker."""
    worker = dispatcher(database, transport)
    while not all_sent.is_set():
        try:
            worker.run_once()
            if not worker.next_at():
                all_sent.set()
        except SQLAlchemyError:
            time.sleep(0.05)


def test_workers_go_on_with_the_promoted_standby_and_nothing_is_lost_or_sent_twice(
    pair: tuple[PostgreSQLServer, PostgreSQLServer],
) -> None:
    primary, standby = pair
    url = _address(primary, standby)
    primary.create("practice")
    migrate(url)
    first = open_database(url)
    add_course(first)
    store(first, *soaks(COUNT, in_doubt="hold"))
    enough, dead = threading.Event(), threading.Event()

    def answer(message: Outgoing) -> Result:
        if sum(len(each.handed) for each in transports) >= LEAST:
            enough.set()
            dead.wait(60)  # the primary dies while batches are in hand
        return accepted(message)

    transports = [ScriptedTransport(answer, batch_size=10) for _ in range(2)]
    databases = [first, open_database(url)]
    all_sent = threading.Event()
    workers = [
        threading.Thread(target=_go_on, args=(database, transport, all_sent))
        for database, transport in zip(databases, transports, strict=True)
    ]
    for worker in workers:
        worker.start()
    assert enough.wait(60)
    assert primary.ask("SELECT sync_state FROM pg_stat_replication") == "sync"
    primary.kill()
    standby.promote()
    dead.set()
    assert all_sent.wait(120)
    for worker in workers:
        worker.join()
    after = messages(first)
    for database in databases:
        database.close()
    handed = Counter(transports[0].ids + transports[1].ids)
    assert len(after) == COUNT
    assert {each.state for each in after} == {"sent"}
    assert set(handed) == {each.id for each in after}
    assert set(handed.values()) == {1}


def test_a_server_that_dies_in_mid_batch_and_comes_back_costs_nothing() -> None:
    server = PostgreSQLServer(fsync="on")
    url = server.create("practice")
    migrate(url)
    database = open_database(url)
    add_course(database)
    store(database, *soaks(30, in_doubt="hold"))

    def answer(message: Outgoing) -> Result:
        if len(transport.handed) == 15:
            server.kill()
            server.start()
        return accepted(message)

    transport = ScriptedTransport(answer, batch_size=10)
    _go_on(database, transport, threading.Event())
    assert sorted(transport.ids) == sorted(each.id or 0 for each in messages(database))
    assert {each.state for each in messages(database)} == {"sent"}
    database.close()
    server.stop()
