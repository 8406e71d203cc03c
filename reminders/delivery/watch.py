"""Watches one process that dispatches: whether it goes round, what it sent, and a heartbeat for other processes."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from reminders.clock import Clock
from reminders.delivery.monitor import Probe, Probes
from reminders.delivery.report import DispatchReport
from reminders.delivery.runner import RecurringJob
from reminders.records.database import Database, found_version
from reminders.records.heartbeats import DISPATCH, beat, last_beat
from reminders.records.migrations import NEWEST_VERSION
from reminders.records.queue_counts import QueueState, queue_counts

if TYPE_CHECKING:
    from reminders.delivery.metrics import Metrics

_LOG = logging.getLogger(__name__)
STALLED_AFTER = timedelta(minutes=5)
"""A worker goes round every second, and one that talks to a slow server every half minute."""
BEATS_EVERY = timedelta(seconds=15)


class Watch:
    """Felt at every round of a dispatcher; safe to ask from any thread."""

    def __init__(
        self, database: Database, clock: Clock, practice_id: str, *, beats_every: timedelta = BEATS_EVERY
    ) -> None:
        """Watch a worker of a practice."""
        self._database = database
        self._clock = clock
        self._practice_id = practice_id
        self._beats_every = beats_every.total_seconds()
        self._lock = threading.Lock()
        self._began = time.monotonic()
        self._felt: dict[str, float] = {}
        """By loop, when it last went round, or was begun."""
        self._beaten: float | None = None
        self._not_written = ""
        self._metrics: Metrics | None = None

    def observe(self, transport: str, report: DispatchReport, *, loop: str = "dispatch") -> None:
        """Note a round that was settled; `DispatchRules.observe` is this.

        A heartbeat that can't be written is left out: the round has claimed messages, and they go first. There is none
        while another loop of this process stands still.
        """
        if self._metrics is not None:
            self._metrics.observe(transport, report)
        with self._lock:
            now = self._felt[loop] = time.monotonic()
            due = self._beaten is None or now - self._beaten >= self._beats_every
            must_beat = due and self._stands_still_for() < STALLED_AFTER.total_seconds()
            if must_beat:
                self._beaten = now
        if must_beat:
            self._beat()

    def over(self, job: RecurringJob) -> RecurringJob:
        """Return the job so that each run of it is felt, also one that fails: then the loop lives, and the rest is not.

        The heartbeat comes from rounds that were settled, and so says more.
        """

        def feel() -> None:
            with self._lock:
                self._felt[job.name] = time.monotonic()

        def run() -> datetime | None:
            feel()
            return job.run()

        feel()
        return replace(job, run=run)

    def alive(self) -> Probe:
        """Say whether this process goes round; if not, only a new start helps."""
        with self._lock:
            age = self._stands_still_for()
        if age < STALLED_AFTER.total_seconds():
            return Probe()
        return Probe(trouble=(f"dispatching has stood still for {age:.0f} s",))

    def ready(self, *, stopping: bool) -> Probe:
        """Say whether this process can work now."""
        trouble = list(self.alive().trouble)
        if stopping:
            trouble.append("it is being stopped")
        if self._not_written:
            trouble.append(f"the database takes nothing in ({self._not_written})")
        return Probe(trouble=(*trouble, *database_trouble(self._database)))

    def queue(self, transports: Mapping[str, str]) -> QueueState:
        """Read how the queue of the practice stands; `transports` are the channels' transports by name."""
        return read_queue(self._database, self._clock.now(), self._practice_id, transports)

    def probes(self, transports: Mapping[str, str], stopping: Callable[[], bool]) -> Probes:
        """Return what the port of this process answers with; what is sent is counted from now on."""
        from reminders.delivery.metrics import Metrics  # noqa: PLC0415  only with a port

        self._metrics = Metrics(lambda: self.queue(transports))
        return Probes(alive=self.alive, ready=lambda: self.ready(stopping=stopping()), metrics=self._metrics.shown)

    def _stands_still_for(self) -> float:
        """Return the seconds since the loop went round that did so longest ago; while the lock is held."""
        return time.monotonic() - min(self._felt.values(), default=self._began)

    def _beat(self) -> None:
        try:
            with self._database.writing() as session:
                beat(session, self._practice_id, DISPATCH, self._clock.now())
        except SQLAlchemyError as error:
            self._not_written = type(error).__name__
            _LOG.warning("heartbeat_not_written", extra={"error_type": self._not_written})
        else:
            self._not_written = ""


def database_trouble(database: Database) -> tuple[str, ...]:
    """Return why the database can't be worked with, () when it can; in words that hold nothing of what is in it."""
    try:
        version = found_version(database.engine)
    except SQLAlchemyError as error:
        return (f"the database does not answer ({type(error).__name__})",)
    return () if version == NEWEST_VERSION else (f"the database has schema {version}, not {NEWEST_VERSION}",)


def read_queue(database: Database, now: datetime, practice_id: str, transports: Mapping[str, str]) -> QueueState:
    """Read how the queue of a practice stands."""
    with database.reading() as session:
        counts = queue_counts(session, practice_id, now=now, late_before=now - STALLED_AFTER)
        seen = last_beat(session, practice_id, DISPATCH)
    return QueueState(practice=practice_id, counts=counts, transports=transports, last_beat=seen)
