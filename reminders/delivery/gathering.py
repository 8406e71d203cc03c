"""Gathers what many threads bring at once, so that what arrives while one commit is under way goes into the next.

A commit waits for the disk; a hundred calls that each waited for their own would wait a hundred times. Nobody is told
"we have it" before the commit that holds theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from threading import Condition
from typing import TypeVar

from sqlalchemy.exc import InterfaceError, OperationalError

from reminders.delivery.incoming import Incoming

Store = Callable[[Sequence[Sequence[Incoming]]], Sequence[Exception | None]]
"""Stores calls in one transaction and tells of each why it failed; raises when none was stored."""
MOST_AT_ONCE = 100
"""Calls that one transaction takes: the last of them waits for all, and on SQLite so does every other writer."""
Brought = TypeVar("Brought")


def store_apart(calls: Sequence[Brought], store: Callable[[Sequence[Brought]], object]) -> list[Exception | None]:
    """Let `store` store all of this in one transaction; return why each failed, None where it did not.

    When that fails, and so is taken back, each half is tried by itself: one call's fault does the others no harm. That
    the database can't be used just now is raised, as it concerns them all.
    """
    try:
        store(calls)
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:  # noqa: BLE001  whoever brought it hears of it
        half = len(calls) // 2
        return [*store_apart(calls[:half], store), *store_apart(calls[half:], store)] if half else [error]
    return [None] * len(calls)


@dataclass(eq=False)
class _Call:
    """What one thread brought, and what came of it."""

    incoming: Sequence[Incoming]
    done: bool = False
    failure: BaseException | None = None


@dataclass
class Gatherer:
    """Takes calls from any thread; each returns when what it brought is durable, or raises what went wrong with it."""

    store: Store
    _waiting: list[_Call] = field(default_factory=list)
    _turn: Condition = field(default_factory=Condition)
    _storing: bool = False

    def take_in(self, incoming: Sequence[Incoming]) -> None:
        """Store and act on what came in, all of it or nothing; another call's fault does no harm to this one."""
        call = _Call(incoming)
        with self._turn:
            self._waiting.append(call)
        while not call.done:
            if batch := self._next_batch(call):
                self._store(batch)
        if call.failure is not None:
            raise call.failure

    def _next_batch(self, call: _Call) -> Sequence[_Call]:
        """Wait for the turn, and give what to store with it; nothing when another thread stored the call meanwhile."""
        with self._turn:
            while self._storing and not call.done:
                self._turn.wait()
            if call.done:
                return ()
            self._storing = True
            batch, self._waiting = self._waiting[:MOST_AT_ONCE], self._waiting[MOST_AT_ONCE:]
            return batch

    def _store(self, batch: Sequence[_Call]) -> None:
        """Store a batch in the thread that has the turn, and give the turn back whatever happens."""
        failures: Sequence[BaseException | None] = ()
        try:
            failures = self.store([each.incoming for each in batch])
        except BaseException as error:  # noqa: BLE001  each caller raises it as its own
            failures = [error] * len(batch)
        finally:
            with self._turn:
                self._storing = False
                for each, failure in zip(batch, failures, strict=True):
                    each.failure, each.done = failure, True
                self._turn.notify_all()
