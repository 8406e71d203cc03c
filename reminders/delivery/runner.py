"""Runs a handful of recurring jobs until it is told to stop; dispatching is one of them."""

from __future__ import annotations

import logging
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from queue import Empty, SimpleQueue
from types import FrameType

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler

from reminders.delivery.dispatcher import Dispatcher
from reminders.delivery.report import DispatchReport
from reminders.delivery.supervisor import STOPPING, tell_supervisor

_LOG = logging.getLogger(__name__)
_SCHEDULER_LOG = logging.getLogger("reminders.delivery.scheduler")
_SCHEDULER_LOG.setLevel(logging.ERROR)  # it warns of every run that takes longer than its interval, which is no fault
_BREATH_SECONDS = 0.5
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@dataclass(frozen=True, kw_only=True)
class RecurringJob:
    """Something done again and again, at the latest every `every`."""

    name: str
    every: timedelta
    run: Callable[[], datetime | None]
    """Does it once; may return when it has to be done next, if that is sooner."""
    grace: timedelta = timedelta(hours=24)
    """How late it may still begin, such as after the machine slept. What is too late to send, the gate knows."""
    stop: Callable[[], None] | None = None
    """Asks a run that is under way to end soon; called from another thread."""


def dispatch_job(
    dispatcher: Dispatcher,
    *,
    name: str = "dispatch",
    every: timedelta = timedelta(seconds=1),
    tell: Callable[[DispatchReport], None] | None = None,
) -> RecurringJob:
    """Return the job that dispatches until it is stopped: when a message is due, and when somebody stored one.

    It looks every `every` whatever it hears. `tell` is given every report in which something happened.
    """

    def run() -> None:
        going = True
        while going:
            dispatcher.watch()
            report = dispatcher.run_once()
            if tell is not None and report.total:
                tell(report)
            going = dispatcher.pause(at_most=every, idle=report.total == 0)

    return RecurringJob(name=name, every=every, run=run, stop=dispatcher.stop)


class Runner:
    """Runs jobs side by side, each at most once at a time."""

    def __init__(self, jobs: Sequence[RecurringJob]) -> None:
        """Prepare `jobs`; none runs yet."""
        self._jobs = tuple(jobs)
        # Unlike an event, a simple queue may be put into by a signal that interrupts its own reader.
        self._ends: SimpleQueue[None] = SimpleQueue()
        self._stopped = False
        # The jobs live in memory: what has to survive is in the message table.
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            logger=_SCHEDULER_LOG,
            executors={"default": ThreadPoolExecutor(max_workers=len(self._jobs) or 1)},
        )

    def run(self) -> None:
        """Run the jobs until `stop` or, in the main thread, SIGINT or SIGTERM; then let what is in hand end."""
        with self._signals():
            self.start()
            try:
                self._await_end()
            finally:
                self.close()

    def start(self) -> None:
        """Begin to run the jobs in threads of their own, each at once for the first time."""
        for job in self._jobs:
            self._scheduler.add_job(
                self._run,
                "interval",
                (job,),
                seconds=job.every.total_seconds(),
                id=job.name,
                next_run_time=datetime.now(UTC),
                misfire_grace_time=max(1, int(job.grace.total_seconds())),
                coalesce=True,
                max_instances=1,
            )
        self._scheduler.start()

    def stop(self) -> None:
        """Make `run` end; may be called by any thread and from a signal."""
        self._ends.put(None)

    @property
    def stopping(self) -> bool:
        """Whether it is coming to its end: nothing new is begun."""
        return self._stopped

    def wind_down(self) -> None:
        """Ask every job to end, and return while they do; may be said twice."""
        if self._stopped:
            return
        self._stopped = True
        tell_supervisor(STOPPING)
        _LOG.info("stopping")
        for job in self._jobs:
            if job.stop is not None:
                job.stop()

    def close(self) -> None:
        """Ask every job to end and wait until it did."""
        self.wind_down()
        self._scheduler.shutdown(wait=True)

    def _await_end(self) -> None:
        # A signal that arrives just before a wait without an end begins does not interrupt it, and its handler would
        # never run: so the wait comes up for breath.
        while True:
            try:
                self._ends.get(timeout=_BREATH_SECONDS)
            except Empty:
                continue
            return

    def _run(self, job: RecurringJob) -> None:
        try:
            wanted_at = job.run()
        except Exception:  # noqa: BLE001  one run may fail, and the next may not; the process lives on
            _LOG.exception("job_failed", extra={"job": job.name})
            return
        if wanted_at is not None and not self._stopped:
            self._bring_forward(job, wanted_at)

    def _bring_forward(self, job: RecurringJob, wanted_at: datetime) -> None:
        try:
            known = self._scheduler.get_job(job.name)
            if known is not None and known.next_run_time is not None and wanted_at < known.next_run_time:
                self._scheduler.modify_job(job.name, next_run_time=wanted_at)
        except JobLookupError:
            return  # removed by a shutdown meanwhile

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Stop on a signal, where signals arrive; put things back after."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def stop(_number: int, _frame: FrameType | None) -> None:
            self.stop()

        before = {number: signal.signal(number, stop) for number in _SIGNALS}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
