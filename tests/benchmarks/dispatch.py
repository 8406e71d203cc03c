"""Messages a second from due to settled, over the file transport, with a backlog of `n` that are all due."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from reminders.clock import VirtualClock
from tests.benchmarks.backlog import ALL_DUE, Figure, file_dispatcher, fill, new_database
from tests.benchmarks.scheduler_store import dispatches_per_second

_MEASURED = 20_000
_PEER = 2_000
SMALL = 10_000


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure at 10,000 and, when more is asked for, at `n`; and the peer."""
    small = _measure(SMALL, None if n and n > SMALL else url, folder, "small")
    yield {"figure": "messages_per_second", "pending": SMALL, **small}
    peer = dispatches_per_second(_PEER, folder)
    yield {
        "figure": "peer_messages_per_second",
        "peer": "APScheduler SQLAlchemyJobStore",
        "pending": _PEER,
        "value": round(peer),
    }
    yield {"figure": "ratio_to_peer", "value": round(small["value"] / peer, 1)}
    if n and n > SMALL:
        large = _measure(n, url, folder, "large")
        yield {"figure": "messages_per_second", "pending": n, **large}
        yield {"figure": "cost_growth", "from": SMALL, "to": n, "value": round(small["value"] / large["value"], 2)}
        yield {"figure": "ratio_to_peer", "pending": n, "value": round(large["value"] / peer, 1)}


def _measure(n: int, url: str | None, folder: Path, name: str) -> dict[str, float]:
    database = new_database(url, folder, name)
    fill(database, n)
    worker = file_dispatcher(database, folder / name, VirtualClock(ALL_DUE))
    measured = min(n, _MEASURED)
    began, cpu_began = time.perf_counter(), time.process_time()
    sent = worker.run_once(limit=measured).sent
    spent, cpu_spent = time.perf_counter() - began, time.process_time() - cpu_began
    if sent != measured:
        raise RuntimeError(f"{sent} of {measured} were sent")
    worker.close()
    database.close()
    return {"value": round(sent / spent), "microseconds_of_processor": round(cpu_spent / sent * 1e6)}
