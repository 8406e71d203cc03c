"""What the audit trail costs: entries proved a second in constant memory, and its share of dispatching."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import insert, update

from reminders.clock import VirtualClock
from reminders.delivery import dispatcher
from reminders.delivery.transports.file import FileTransport
from reminders.records import audit
from reminders.records.audit import Noted
from reminders.records.audit_chain import Checker, Entry, hash_of
from reminders.records.database import Database
from reminders.records.tables_audit import AUDIT_ENTRIES, AUDIT_HEADS
from tests.benchmarks.backlog import ALL_DUE, Figure, fill, new_database, worker_over

_AT_ONCE = 10_000
_DISPATCHED = 4_000
_ROUNDS = 8


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Prove a chain of `n` entries (100,000), then dispatch with the trail and without it, in turn."""
    database = new_database(url, folder, "chain")
    yield from _proof(database, n or 100_000)
    yield from _dispatching(database, folder)
    database.close()


def _proof(database: Database, n: int) -> Iterator[Figure]:
    with database.writing() as session:
        audit.note(session, Noted(practice_id="main", at=ALL_DUE, action="course.see", patient_id=1))
    with database.reading() as session:
        key = audit.chain_key(session)
    previous = _fill(database, key, n)
    peaks = _peaks(database, key, n)
    checker, reached = Checker(key), 0
    began, cpu_began = time.perf_counter(), time.process_time()
    while page := _page(database, reached, n):
        assert list(checker.follow(page)) == []
        reached = page[-1].sequence
    spent, cpu_spent = time.perf_counter() - began, time.process_time() - cpu_began
    assert list(checker.end(n)) == []
    assert checker.last is not None
    assert checker.last.hash == previous
    rates = {"value": round(n / spent), "by_processor": round(n / cpu_spent)}
    yield {"figure": "entries_proved_per_second", "entries": n, **rates}
    yield {"figure": "peak_memory_kB", "after_pages": len(peaks), "first": peaks[0], "value": peaks[-1]}


def _page(database: Database, after: int, n: int) -> list[Entry]:
    with database.reading() as session:
        return audit.page_after(session, "main", after, through=n)


def _peaks(database: Database, key: bytes, n: int) -> list[int]:
    """Return the peak of what was allocated, in kB, after each of some pages; by itself, as counting slows it down."""
    checker, reached = Checker(key), 0
    peaks: list[int] = []
    tracemalloc.start()
    while len(peaks) < 20 and (page := _page(database, reached, n)):
        assert list(checker.follow(page)) == []
        reached = page[-1].sequence
        peaks.append(tracemalloc.get_traced_memory()[1] // 1000)
    tracemalloc.stop()
    return peaks


def _fill(database: Database, key: bytes, n: int) -> str:
    """Append entries until there are `n`, many at a time; return the hash of the last one."""
    with database.reading() as session:
        head = audit.head_of(session, "main")
    sequence, previous = head.sequence, head.hash
    while sequence < n:
        rows: list[dict[str, Any]] = []
        for number in range(sequence + 1, min(sequence + _AT_ONCE, n) + 1):
            said = ("main", number, ALL_DUE, "staff", "3", "course.see", number % 5000, f"enrollment {number % 9000}")
            entry = Entry(*said, "done", "{}", previous, "")
            previous = hash_of(key, entry)
            rows.append({**entry._asdict(), "hash": previous})
        sequence = rows[-1]["sequence"]
        with database.writing() as session:
            session.connection().execute(insert(AUDIT_ENTRIES), rows)
            session.execute(update(AUDIT_HEADS).values(sequence=sequence, hash=previous))
    return previous


def _dispatching(database: Database, folder: Path) -> Iterator[Figure]:
    fill(database, 2 * _ROUNDS * _DISPATCHED)
    clock = VirtualClock(ALL_DUE)
    costs: dict[str, list[float]] = {"with": [], "without": []}
    kept = dispatcher.__dict__["note_settled"]
    for turn in range(2 * _ROUNDS):
        name = ("with", "without")[turn % 2]
        dispatcher.__dict__["note_settled"] = kept if name == "with" else lambda *_: None
        worker = worker_over(database, FileTransport(folder / "out", now=clock.now, letterheads={}), clock)
        began = time.process_time()
        assert worker.run_once(limit=_DISPATCHED).sent == _DISPATCHED
        costs[name].append(time.process_time() - began)
        worker.close()
    dispatcher.__dict__["note_settled"] = kept
    # the least of many rounds is what other work on the machine disturbed least
    least = {name: min(spent) for name, spent in costs.items()}
    each = {name: round(spent / _DISPATCHED * 1e6, 1) for name, spent in least.items()}
    share = round(least["with"] / least["without"] - 1, 3)
    yield {"figure": "dispatch_microseconds_of_processor", "value": each, "share_of_the_trail": share}
