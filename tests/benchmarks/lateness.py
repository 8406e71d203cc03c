"""How long after its moment a message is handed over, at 100 due a second before a backlog of `n`."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from sqlalchemy import select

from reminders.clock import SystemClock
from reminders.delivery.runner import Runner, dispatch_job
from reminders.records.bulk import insert_messages
from reminders.records.tables import MESSAGES
from tests.benchmarks.backlog import Figure, file_dispatcher, fill, new_database
from tests.stored import row

_SECONDS = 20
_PER_SECOND = 100


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure over twenty seconds; the backlog of `n` (10,000) waits for a later day."""
    database = new_database(url, folder)
    clock = SystemClock()
    fill(database, n or 10_000, start=clock.now() + timedelta(days=1))
    with database.writing() as session:
        first = clock.now() + timedelta(seconds=2)
        moments = [first + timedelta(seconds=1 / _PER_SECOND) * each for each in range(_SECONDS * _PER_SECOND)]
        useful = {"useful_until": first + timedelta(days=1), "key": "rush"}
        insert_messages(session, [row(at, due_at=moment, **useful) for at, moment in enumerate(moments)])
    worker = file_dispatcher(database, folder / "out", clock, quiet=())
    runner = Runner([dispatch_job(worker)])
    runner.start()
    time.sleep(_SECONDS + 4)
    runner.close()
    with database.reading() as session:
        sent = select(MESSAGES.c.due_at, MESSAGES.c.handed_at).where(
            MESSAGES.c.key == "rush", MESSAGES.c.state == "sent"
        )
        late = sorted((handed - due) / timedelta(milliseconds=1) for due, handed in session.execute(sent))
    yield {"figure": "sent", "value": len(late), "due": len(moments)}
    for name, share in (("p50", 0.5), ("p99", 0.99), ("max", 1.0)):
        value = late[min(int(len(late) * share), len(late) - 1)]
        yield {"figure": f"lateness_{name}_milliseconds", "pending": n or 10_000, "value": round(value, 2)}
    worker.close()
    database.close()
