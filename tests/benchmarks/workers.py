"""Messages a second of 1, 2 and 4 worker processes on one database, over the file transport, with `n` due."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterator
from multiprocessing.synchronize import Barrier
from pathlib import Path

from reminders.clock import VirtualClock
from reminders.delivery.transports.file import FileTransport
from tests.benchmarks.backlog import ALL_DUE, Figure, fill, new_database, worker_over
from tests.servers import open_database

_EACH = 10_000


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure one after the other on the same backlog (100,000 unless said)."""
    database = new_database(url, folder)
    fill(database, n or 100_000)
    address = database.engine.url.render_as_string(hide_password=False)
    database.close()
    for workers in (1, 2, 4):
        yield {"figure": "messages_per_second", "workers": workers, "value": round(_measure(workers, address, folder))}


def _measure(workers: int, url: str, folder: Path) -> float:
    start = multiprocessing.get_context("spawn").Barrier(workers + 1)
    context = multiprocessing.get_context("spawn")
    processes = [
        context.Process(target=_work, args=(url, folder / f"{workers}-{number}", start)) for number in range(workers)
    ]
    for process in processes:
        process.start()
    start.wait()
    began = time.perf_counter()
    for process in processes:
        process.join()
    spent = time.perf_counter() - began
    if any(process.exitcode for process in processes):
        raise RuntimeError("a worker failed")
    return workers * _EACH / spent


def _work(url: str, folder: Path, start: Barrier) -> None:
    clock = VirtualClock(ALL_DUE)
    worker = worker_over(open_database(url), FileTransport(folder, now=clock.now, letterheads={}), clock)
    start.wait()
    sent = worker.run_once(limit=_EACH).sent
    worker.close()
    if sent != _EACH:
        raise RuntimeError(f"{sent} of {_EACH} were sent")
