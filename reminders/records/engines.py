"""Knows how a database is opened so that what it says is written stays written, and nothing waits for ever."""

from __future__ import annotations

import sqlite3
import threading
import time
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry

from reminders.errors import ConfigError
from reminders.sentences import english

WRITES = "reminders_writes"
"""Execution option: the transaction begins as a writer."""
_LOCK_SECONDS = 10
_STATEMENT_SECONDS = 30
_STEPS_BETWEEN_LOOKS = 1_000_000  # of SQLite's machine; some tens of milliseconds


def parse_url(url: str) -> URL:
    """Return the parsed address of a database; raises ConfigError for one that can't be used."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise ConfigError(
            english(
                "database: is no address of a database; write sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"
            )
        ) from None
    if parsed.drivername not in {"sqlite", "postgresql+psycopg"}:
        raise ConfigError(
            english("database: {drivername} is not supported; use sqlite or postgresql+psycopg").format(
                drivername=parsed.drivername
            )
        )
    if parsed.drivername == "sqlite" and parsed.database in {None, "", ":memory:"}:
        raise ConfigError(english("database: names no file; messages must outlive the program"))
    return parsed


def build_engine(url: URL, *, statement_seconds: int = _STATEMENT_SECONDS) -> Engine:
    """Return an engine whose statements end: by a result, or by an error after `statement_seconds`."""
    if url.get_backend_name() == "sqlite":
        return _sqlite_engine(url, statement_seconds)
    timeouts = {
        "statement_timeout": statement_seconds * 1000,
        "lock_timeout": _LOCK_SECONDS * 1000,
        "idle_in_transaction_session_timeout": statement_seconds * 1000,
    }
    options = " ".join(f"-c {name}={value}" for name, value in timeouts.items())
    engine = create_engine(
        url,
        connect_args={"options": options, "connect_timeout": _LOCK_SECONDS},
        pool_pre_ping=True,
        hide_parameters=True,
    )
    event.listen(engine, "begin", _begin_on_postgresql)
    return engine


def _sqlite_engine(url: URL, statement_seconds: int) -> Engine:
    # The driver's own transactions begin late and as readers; without an isolation level it leaves them to us.
    engine = create_engine(url, connect_args={"timeout": _LOCK_SECONDS, "isolation_level": None}, hide_parameters=True)
    deadline = _Deadline(statement_seconds)

    def prepare(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
        cursor = connection.cursor()
        for pragma in (
            "journal_mode = WAL",  # readers and the one writer don't wait for each other
            "synchronous = FULL",  # a commit is on the disk when it returns
            "foreign_keys = ON",
            "cache_size = -16000",  # KiB
            "wal_autocheckpoint = 4000",  # pages; fewer, larger steps for a table that is written all over
            "journal_size_limit = 67108864",
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()
        raw: Any = connection
        raw.set_progress_handler(deadline.passed, _STEPS_BETWEEN_LOOKS)

    event.listen(engine, "connect", prepare)
    event.listen(engine, "begin", _begin_on_sqlite)
    event.listen(engine, "before_cursor_execute", deadline.start)
    return engine


class _Deadline(threading.local):
    """Interrupts a statement that runs too long, for each thread its own: SQLite has no timeout for that."""

    def __init__(self, seconds: int) -> None:
        super().__init__()
        self._seconds = seconds
        self._ends = time.monotonic() + seconds

    def start(self, *_event: object) -> None:
        self._ends = time.monotonic() + self._seconds

    def passed(self) -> bool:
        return time.monotonic() > self._ends


def _begin_on_sqlite(connection: Connection) -> None:
    # A reader that turns writer is refused at once when somebody else wrote meanwhile, whatever the timeout says
    # (python/cpython#124510): writers begin as writers, and readers can't write.
    writes = bool(connection.get_execution_options().get(WRITES, False))
    if connection.info.get(WRITES) is not writes:
        _run(connection, f"PRAGMA query_only = {'OFF' if writes else 'ON'}")
        connection.info[WRITES] = writes
    _run(connection, "BEGIN IMMEDIATE" if writes else "BEGIN")


def _run(connection: Connection, statement: str) -> None:
    """Run a statement by the driver alone: SQLAlchemy's own ways take longer than the statement."""
    raw: Any = connection.connection.driver_connection
    try:
        raw.execute(statement)
    except sqlite3.Error as error:
        raise DBAPIError.instance(statement, None, error, sqlite3.Error, dialect=connection.dialect) from error


def _begin_on_postgresql(connection: Connection) -> None:
    if not connection.get_execution_options().get(WRITES, False):
        connection.exec_driver_sql("SET TRANSACTION READ ONLY")
