"""The peer that others would use: one job for each message in APScheduler's SQLAlchemy store, stored as durably."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from apscheduler.events import EVENT_JOB_EXECUTED
from apscheduler.jobstores.sqlalchemy import SQLAlchemyJobStore
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger
from sqlalchemy import create_engine, event


def deliver(path: str, line: str) -> None:
    """Hand one message over; unlike ours it is not even forced to the disk."""
    with Path(path).open("a", encoding="utf-8") as file:
        file.write(line + "\n")


def _scheduler(url: str | None, folder: Path) -> BackgroundScheduler:
    engine = create_engine(url or f"sqlite:///{folder / 'peer.db'}")
    if engine.dialect.name == "sqlite":

        def prepare(connection: Any, _entry: object) -> None:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")

        event.listen(engine, "connect", prepare)
    return BackgroundScheduler(
        timezone=UTC,
        jobstores={"default": SQLAlchemyJobStore(engine=engine)},
        job_defaults={"misfire_grace_time": None},
    )


def _add(scheduler: BackgroundScheduler, n: int, at: datetime, folder: Path) -> None:
    text = "Example Practice: Soak the toe in warm water for ten minutes, pat it dry, put on ointment. " + "x" * 60
    for _ in range(n):
        scheduler.add_job(deliver, DateTrigger(at), (str(folder / "peer.jsonl"), text))


def insertions_per_second(n: int, folder: Path, url: str | None = None) -> float:
    """Return how many messages a second it takes in, one job each."""
    scheduler = _scheduler(url, folder)
    scheduler.start(paused=True)
    spent = _timed(lambda: _add(scheduler, n, datetime.now(UTC) + timedelta(days=1), folder))
    scheduler.remove_all_jobs()
    scheduler.shutdown()
    return n / spent


def dispatches_per_second(n: int, folder: Path, url: str | None = None) -> float:
    """Return how many messages a second it sends when `n` are due."""
    scheduler = _scheduler(url, folder)
    scheduler.start(paused=True)
    _add(scheduler, n, datetime.now(UTC), folder)
    left = threading.Semaphore(0)
    scheduler.add_listener(lambda _: left.release(), EVENT_JOB_EXECUTED)

    def run() -> None:
        scheduler.resume()
        for _ in range(n):
            left.acquire()

    spent = _timed(run)
    scheduler.shutdown()
    return n / spent


def _timed(run: Callable[[], None]) -> float:
    start = time.perf_counter()
    run()
    return time.perf_counter() - start
