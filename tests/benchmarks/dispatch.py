"""Messages a second from due to settled, over the file transport, with a backlog of `n` that are all due."""

from __future__ import annotations

import time
from collections.abc import Generator, Iterator
from dataclasses import replace
from pathlib import Path

from reminders.clock import VirtualClock
from reminders.delivery.transports.file import FileTransport
from reminders.records.database import Database
from tests.benchmarks.backlog import ALL_DUE, Figure, fill, new_database, worker_over
from tests.benchmarks.queue_peers import huey_per_second, procrastinate_per_second
from tests.benchmarks.raw_store import states_per_second
from tests.benchmarks.scheduler_store import dispatches_per_second

_MEASURED = 20_000
_ONE_BY_ONE = 2_000
_PEER = 2_000
SMALL = 10_000


class OneByOne(FileTransport):
    """Each hand-over is settled before the next is begun."""

    capabilities = replace(FileTransport.capabilities, batch_size=1)


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure `n` (10,000; on SQLite more after 10,000), the limit of the store in the same database, and the peers."""
    asked = n or SMALL
    small = 0
    if url is None or asked <= SMALL:
        small = yield from _of_backlog(SMALL, url, folder)
    yield from _peers(url, folder)
    if asked > SMALL:
        large = yield from _of_backlog(asked, url, folder)
        if small:
            yield {"figure": "cost_growth", "from": SMALL, "to": asked, "value": round(small / large, 2)}


def _of_backlog(n: int, url: str | None, folder: Path) -> Generator[Figure, None, int]:
    name = f"of-{n}"
    database = new_database(url, folder, name)
    measured = min(n, _MEASURED)
    fill(database, n + (measured + _ONE_BY_ONE if n < 3 * _MEASURED else 0))
    batch = FileTransport.capabilities.batch_size
    limit = round(states_per_second(database, measured, batch))
    value, processor = _measure(database, FileTransport, folder / name, measured)
    yield {"figure": "messages_per_second", "pending": n, "value": value, "microseconds_of_processor": processor}
    yield {"figure": "raw_store_per_second", "pending": n, "value": limit, "ratio": round(value / limit, 2)}
    alone = round(states_per_second(database, _ONE_BY_ONE // 2, 1))
    one_by_one, _ = _measure(database, OneByOne, folder / f"{name}-alone", _ONE_BY_ONE // 2)
    yield {"figure": "each_settled_separately_per_second", "pending": n, "value": one_by_one}
    yield {"figure": "raw_store_one_by_one", "pending": n, "value": alone, "ratio": round(one_by_one / alone, 2)}
    database.close()
    return value


def _measure(database: Database, kind: type[FileTransport], folder: Path, count: int) -> tuple[int, int]:
    """Return messages a second, and microseconds of processor time a message."""
    clock = VirtualClock(ALL_DUE)
    worker = worker_over(database, kind(folder, now=clock.now, letterheads={}), clock)
    began, cpu_began = time.perf_counter(), time.process_time()
    sent = worker.run_once(limit=count).sent
    spent, cpu_spent = time.perf_counter() - began, time.process_time() - cpu_began
    worker.close()
    if sent != count:
        raise RuntimeError(f"{sent} of {count} were sent")
    return round(sent / spent), round(cpu_spent / sent * 1e6)


def _peers(url: str | None, folder: Path) -> Iterator[Figure]:
    peers = {"APScheduler SQLAlchemyJobStore": dispatches_per_second(_PEER, folder, url)}
    if url is None:
        peers["huey SqliteHuey"] = huey_per_second(_PEER, folder)
    else:
        peers["procrastinate"] = procrastinate_per_second(_PEER, url, folder)
    for peer, value in peers.items():
        yield {"figure": "peer_messages_per_second", "peer": peer, "pending": _PEER, "value": round(value)}
