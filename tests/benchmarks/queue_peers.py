"""Task queues that others would use, each as durable as ours: huey on SQLite, procrastinate on PostgreSQL."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from huey import SqliteHuey
from procrastinate import App, PsycopgConnector
from sqlalchemy import make_url

TEXT = "Example Practice: Soak the toe in warm water for ten minutes, pat it dry, put on ointment. " + "x" * 60


def deliver(path: str, line: str) -> None:
    """Hand one message over; unlike ours it is not even forced to the disk."""
    with Path(path).open("a", encoding="utf-8") as file:
        file.write(line + "\n")


def huey_per_second(n: int, folder: Path) -> float:
    """Return how many messages a second huey runs from its SQLite store, `n` being due and one worker taking them."""
    queue = SqliteHuey(filename=str(folder / "huey.db"), results=False, fsync=True)
    run: Any = queue.task()(deliver)
    due = datetime.now(UTC).replace(tzinfo=None) - timedelta(seconds=1)
    for _ in range(n):
        run.schedule(args=(str(folder / "huey.jsonl"), TEXT), eta=due)
    began = time.perf_counter()
    done = 0
    while (task := queue.dequeue()) is not None:
        queue.execute(task)
        done += 1
    spent = time.perf_counter() - began
    queue.storage.close()
    if done != n:
        raise RuntimeError(f"huey ran {done} of {n}")
    return n / spent


def procrastinate_per_second(n: int, url: str, folder: Path) -> float:
    """Return how many messages a second one procrastinate worker runs, `n` being due in a schema of its own."""
    return asyncio.run(_procrastinate(n, url, folder))


async def _procrastinate(n: int, url: str, folder: Path) -> float:
    address = make_url(url)
    conninfo = f"host={address.host} port={address.port} user={address.username} dbname={address.database}"
    own = f"{conninfo} options='-c search_path=procrastinate_peer'"
    app = App(connector=PsycopgConnector(conninfo=own))
    task = app.task(name="deliver")(deliver)
    async with app.open_async():
        await app.connector.execute_query_async("CREATE SCHEMA IF NOT EXISTS procrastinate_peer")
        await app.schema_manager.apply_schema_async()
        lines: list[dict[str, Any]] = [{"path": str(folder / "procrastinate.jsonl"), "line": TEXT} for _ in range(n)]
        await task.batch_defer_async(*lines)
        began = time.perf_counter()
        await app.run_worker_async(wait=False, concurrency=1, install_signal_handlers=False)
        spent = time.perf_counter() - began
        left = await app.job_manager.list_jobs_async(status="todo")
        await app.connector.execute_query_async("DROP SCHEMA procrastinate_peer CASCADE")
    if [*left]:
        raise RuntimeError("procrastinate did not run everything")
    return n / spent
