"""Hears what transactions on a PostgreSQL server announce."""

from __future__ import annotations

import threading
import time
from typing import Any

import psycopg
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

_STOP_SECONDS = 0.2
"""The longest that a waiting listener takes to notice that it is to stop."""


class Listener:
    """Listens to what transactions announce. While the link is broken it hears nothing, and waits the time out."""

    def __init__(self, engine: Engine, practices: frozenset[str], channel: str) -> None:
        """Hear of the messages of these practices."""
        self._engine = engine
        self._practices = practices
        self._channel = channel
        self._stop = threading.Event()
        self._link: psycopg.Connection[Any] | None = None

    def mark(self) -> None:
        """From now on, what others announce counts."""
        try:
            if self._link is None:
                self._link = self._listen()
            for _ in self._link.notifies(timeout=0):
                pass
        except (psycopg.Error, SQLAlchemyError):
            self.close()

    def wait(self, seconds: float) -> bool:
        """Wait until somebody announced something since the mark; False when the time is over or it was interrupted."""
        ends = time.monotonic() + seconds
        while (left := ends - time.monotonic()) > 0 and not self._stop.is_set():
            if self._link is None:
                self._stop.wait(left)
            elif self._hears(self._link, min(left, _STOP_SECONDS)):
                return True
        return False

    def interrupt(self) -> None:
        """Let the present wait and all later ones end soon."""
        self._stop.set()

    def close(self) -> None:
        """Give back the link."""
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _hears(self, link: psycopg.Connection[Any], seconds: float) -> bool:
        try:
            return any(each.payload in self._practices for each in link.notifies(timeout=seconds, stop_after=1))
        except psycopg.Error:
            self.close()
            return False

    def _listen(self) -> psycopg.Connection[Any]:
        pooled = self._engine.raw_connection()
        link: psycopg.Connection[Any] = pooled.driver_connection  # type: ignore[assignment]
        pooled.detach()
        link.rollback()
        link.autocommit = True
        link.execute(f"LISTEN {self._channel}")
        return link
