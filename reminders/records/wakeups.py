"""Knows how a worker learns within milliseconds that somebody stored a message, without asking for it all the time."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from sqlalchemy import Engine, func, literal, select, text
from sqlalchemy.orm import Session

from reminders.records.tables import MESSAGES

CHANNEL = "reminders_due"
"""What the announcements are called on PostgreSQL."""
_STORED = "earliest_due_at"
_SOON = text("interval '2 seconds'")
"""What is due later is found in time by who looks once a second."""
_LOOK_SECONDS = 0.02


class Wakeups(Protocol):
    """Used by one thread, but for `interrupt`."""

    def mark(self) -> None:
        """From now on, what others store counts; what they stored before is there to be read."""

    def wait(self, seconds: float) -> bool:
        """Wait until somebody stored something since the mark; False when the time is over or it was interrupted."""

    def interrupt(self) -> None:
        """Let the present wait and all later ones end at once."""

    def close(self) -> None:
        """Give back what it holds open."""


def wakeups_of(engine: Engine, practices: Sequence[str]) -> Wakeups:
    """Return what wakes a worker that serves these practices; it connects at the first mark."""
    if engine.dialect.name == "postgresql":
        from reminders.records.wakeups_postgresql import Listener  # noqa: PLC0415  its driver is an extra

        return Listener(engine, frozenset(practices), CHANNEL)
    return _Watcher(str(engine.url.database))


def note_due(session: Session, practice_id: str, due_at: datetime) -> None:
    """Remember in a transaction that it stored a message, so that `announce` tells of it."""
    stored: dict[str, datetime] = session.info.setdefault(_STORED, {})
    stored[practice_id] = min(due_at, stored.get(practice_id, due_at))


def announce(session: Session) -> None:
    """Let the workers on all hosts hear, when the transaction commits, that messages were stored that are due.

    SQLite needs no word: whoever waits sees that the file changed.
    """
    stored: dict[str, datetime] = session.info.pop(_STORED, {})
    if not stored or not session.in_transaction():  # nothing was stored, or it was taken back
        return
    connection = session.connection()
    if connection.dialect.name != "postgresql":
        return
    for practice_id, due_at in stored.items():
        is_soon = literal(due_at, MESSAGES.c.due_at.type) <= func.clock_timestamp() + _SOON
        connection.execute(select(func.pg_notify(CHANNEL, practice_id)).where(is_soon))


class _Watcher:
    """Looks at the change counter of a SQLite file, which costs microseconds."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._stop = threading.Event()
        self._connection: sqlite3.Connection | None = None
        self._seen = 0

    def mark(self) -> None:
        self._seen = self._version()

    def wait(self, seconds: float) -> bool:
        ends = time.monotonic() + seconds
        while (left := ends - time.monotonic()) > 0:
            if self._stop.wait(min(left, _LOOK_SECONDS)):
                return False
            if self._version() != self._seen:
                return True
        return False

    def interrupt(self) -> None:
        self._stop.set()

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _version(self) -> int:
        """Return a number that differs when another connection, in any process, committed a change meanwhile."""
        if self._connection is None:
            self._connection = sqlite3.connect(self._path, isolation_level=None, check_same_thread=False)
        found: int = self._connection.execute("PRAGMA data_version").fetchone()[0]
        return found
