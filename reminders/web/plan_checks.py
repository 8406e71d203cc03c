"""Proves plans for the pages in processes of their own: half a minute of arithmetic that no other page waits for."""

from __future__ import annotations

import multiprocessing
from collections.abc import Hashable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from threading import Lock

from reminders.desk.prove.run import Bound, Report, prove
from reminders.desk.prove.strands import Effort
from reminders.errors import StateError
from reminders.words import gettext

_AT_ONCE = 2


@dataclass(kw_only=True)
class _Check:
    about: Hashable
    process: BaseProcess
    answer: Connection
    report: Report | None = None

    @property
    def is_running(self) -> bool:
        """Whether it may still answer; takes the answer when there is one."""
        if self.report is None and self.answer.poll():
            try:
                self.report = self.answer.recv()
            except EOFError:
                return False
        return self.report is None and self.process.is_alive()


class PlanChecks:
    """The last check of each plan; a restart forgets them."""

    def __init__(self) -> None:
        self._last: dict[str, _Check] = {}
        self._lock = Lock()

    def begin(self, procedure: str, about: Hashable, bound: Bound) -> None:
        """Begin to prove a plan quickly, unless it is or was for the same content; StateError when too many are."""
        with self._lock:
            last = self._last.get(procedure)
            if last is not None and last.about == about and (last.is_running or last.report is not None):
                return
            if sum(each.is_running for each in self._last.values()) >= _AT_ONCE:
                raise StateError(gettext("Other plans are being checked; wait until they are done."))
            self._last[procedure] = _started(procedure, about, bound)

    def found(self, procedure: str, about: Hashable) -> tuple[Report | None, bool]:
        """Return the report on this content, None when there is none, and whether it is still to come."""
        with self._lock:
            last = self._last.get(procedure)
            if last is None or last.about != about:
                return None, False
            running = last.is_running
            return last.report, running


def _started(procedure: str, about: Hashable, bound: Bound) -> _Check:
    # Started afresh, not forked: the server holds threads and an open database. It ends with the server.
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_prove, args=(there, procedure, bound), daemon=True)
    process.start()
    there.close()
    return _Check(about=about, process=process, answer=here)


def _prove(answer: Connection, procedure: str, bound: Bound) -> None:
    answer.send(prove(procedure, bound, effort=Effort.QUICK))
