"""Messages a second of 1, 2 and 4 worker processes on one database, over the file transport, with `n` due."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Iterator
from multiprocessing.synchronize import Barrier
from pathlib import Path

from reminders.clock import VirtualClock
from reminders.delivery.transports.file import FileTransport
from tests.benchmarks.backlog import ALL_DUE, Figure, fill, new_database, worker_over
from tests.benchmarks.raw_store import states_per_second
from tests.servers import open_database, url_of

_EACH = 30_000
_Work = Callable[[str, Path, Barrier], None]


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure one after the other on the same backlog (500,000 unless said), each after as many bare connections.

    Both take their messages out of the backlog: 430,000 in all. What a worker does once, when it begins, is left out.
    """
    database = new_database(url, folder)
    fill(database, n or 500_000)
    address = url_of(database)
    database.close()
    for workers in (1, 2, 4):
        limit = round(_measure(workers, _work_bare, address, folder))
        yield {"figure": "raw_store_per_second", "workers": workers, "value": limit}
        value = round(_measure(workers, _work, address, folder))
        yield {"figure": "messages_per_second", "workers": workers, "value": value, "ratio": round(value / limit, 2)}


def _measure(workers: int, work: _Work, url: str, folder: Path) -> float:
    context = multiprocessing.get_context("spawn")
    start = context.Barrier(workers + 1)
    processes = [
        context.Process(target=work, args=(url, folder / f"{workers}-{number}", start)) for number in range(workers)
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
    worker.run_once(limit=FileTransport.capabilities.batch_size)
    start.wait()
    sent = worker.run_once(limit=_EACH).sent
    worker.close()
    if sent != _EACH:
        raise RuntimeError(f"{sent} of {_EACH} were sent")


def _work_bare(url: str, folder: Path, start: Barrier) -> None:
    database = open_database(url)
    start.wait()
    states_per_second(database, _EACH, FileTransport.capabilities.batch_size)
    database.close()
