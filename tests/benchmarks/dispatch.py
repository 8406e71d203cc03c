"""Messages a second from due to settled, over the file transport, with a backlog of `n` that are all due."""

from __future__ import annotations

import time
from collections.abc import Generator, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

from reminders.clock import VirtualClock
from reminders.delivery.outgoing import Accepted
from reminders.delivery.sends_told import note_settled
from reminders.delivery.settle import Outcome, Settler
from reminders.delivery.transports.file import FileTransport
from reminders.records.database import Database
from reminders.records.outbox import Claim, Queue, claim, due_messages
from tests.benchmarks.backlog import ALL_DUE, Figure, fill, new_database, worker_over
from tests.benchmarks.queue_peers import huey_per_second, procrastinate_per_second
from tests.benchmarks.raw_store import settled_alone_per_second, states_per_second
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
    fill(database, n + (measured + 4 * _ONE_BY_ONE if n < 3 * _MEASURED else 0))
    batch = FileTransport.capabilities.batch_size
    limit = round(states_per_second(database, measured, batch))
    value, processor = _measure(database, FileTransport, folder / name, measured)
    yield {"figure": "messages_per_second", "pending": n, "value": value, "microseconds_of_processor": processor}
    yield {"figure": "raw_store_per_second", "pending": n, "value": limit, "ratio": round(value / limit, 2)}
    raw = settled_alone_per_second(database, _ONE_BY_ONE)
    for name, traced in (("settled_separately_per_second", False), ("settled_separately_and_traced_per_second", True)):
        settled, cost = _settled_separately(database, traced=traced)
        ratio = {"ratio": round(settled / raw, 2), "microseconds_of_processor": cost}
        yield {"figure": name, "pending": n, "value": settled, **ratio}
    one_by_one, _ = _measure(database, OneByOne, folder / f"{name}-alone", _ONE_BY_ONE // 2)
    yield {"figure": "claimed_and_settled_one_by_one_per_second", "pending": n, "value": one_by_one}
    database.close()
    return value


def _settled_separately(database: Database, *, traced: bool) -> tuple[int, int]:
    """Return how many hand-overs a second are settled, each in its own commit, and the microseconds of processor.

    `traced` gives each an entry of its own in the audit trail, as a dispatcher whose batches hold one message does.
    """
    settler = Settler(concern_due=lambda _, at: at, random=Random(1))
    by = Claim(token="mine", practice_id="main", now=ALL_DUE, lease=timedelta(hours=1), transport="file")
    with database.writing() as session:
        due = due_messages(session, Queue("main", "sms"), now=ALL_DUE, limit=_ONE_BY_ONE)
        claim(session, [each.id for each in due], by)
    began, cpu_began = time.perf_counter(), time.process_time()
    with database.writing_often() as writing:
        for each in due:
            outcome = Outcome(message=each, token=by.token, tries=1, result=Accepted(ref=f"ref-{each.id}"))
            with writing() as session:
                settler.settle(session, [outcome], ALL_DUE)
                if traced:
                    note_settled(session, by.practice_id, [outcome], ALL_DUE)
    spent, cpu_spent = time.perf_counter() - began, time.process_time() - cpu_began
    return round(len(due) / spent), round(cpu_spent / len(due) * 1e6)


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
