"""A restore drill: a large database is copied while a worker sends from it, is lost, and comes back from the copy."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from sqlalchemy import func, select

from reminders.clock import VirtualClock
from reminders.delivery.after_restore import WaysOut
from reminders.delivery.dispatcher import Dispatcher
from reminders.delivery.restoring import Restored, RestoreRules, restore
from reminders.delivery.transports.file import FileTransport
from reminders.records.backup import back_up
from reminders.records.database import Database
from reminders.records.tables import MESSAGES
from tests.benchmarks.backlog import START, Figure, fill, new_database, worker_over
from tests.servers import KEYS, open_database, url_of

_TAKEN_AT = START + timedelta(days=4)
_RAN_UNTIL = _TAKEN_AT + timedelta(hours=2)
_AT_ONCE = 500
_OUTBOX, _SECOND_OUTBOX = "out", "out-of-the-second"


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Copy `n` messages (20,000) of which some are due, lose them, restore them twice, and send what is left.

    What went out between the copy and the loss is in the outbox and not in the copy. Once the transport can be asked,
    once it can't: then nothing of it may be sent again.
    """
    count = n or 20_000
    database = new_database(url, folder, "practice")
    fill(database, count)
    copy = folder / "copy.backup"
    clock = VirtualClock(_TAKEN_AT)
    worker = worker_over(database, FileTransport(folder / _OUTBOX, now=clock.now, letterheads={}), clock)
    with _sending(worker) as sent:
        began = time.perf_counter()
        manifest = back_up(url_of(database), copy, now=_TAKEN_AT, replace=True)
        spent = time.perf_counter() - began
        meanwhile = sent()
    clock.move_to(_RAN_UNTIL)
    worker.run_once(limit=_AT_ONCE)
    worker.close()
    lost = _sent_by(database)
    size = {"messages": manifest.messages, "MB": round(copy.stat().st_size / 1e6)}
    yield {"figure": "copy_seconds", "value": round(spent, 1), **size, "sent_meanwhile": meanwhile}
    place = url_of(database) if url else f"sqlite:///{folder / 'restored.db'}"
    database.close()
    for can_be_asked in (True, False):
        began, cpu_began = time.perf_counter(), time.process_time()
        done = _restored(place, copy, folder, can_be_asked=can_be_asked)
        cpu, spent = time.process_time() - cpu_began, time.perf_counter() - began
        again = open_database(place)
        _prove_nobody_is_told_twice(again, folder, lost, done)
        again.close()
        settled = vars(done.report)
        yield {"figure": "restore_seconds", "value": round(spent, 1), "by_processor": round(cpu, 1), **settled}


@contextmanager
def _sending(worker: Dispatcher) -> Iterator[Callable[[], int]]:
    """Have a worker send what is due, in a thread of its own, until the block ends; gives how many it has sent."""
    ended = threading.Event()
    sent = [0]

    def work() -> None:
        while not ended.is_set():
            sent[0] += worker.run_once(limit=_AT_ONCE).sent

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield lambda: sent[0]
    finally:
        ended.set()
        thread.join()


def _restored(place: str, copy: Path, folder: Path, *, can_be_asked: bool) -> Restored:
    def ways() -> WaysOut:
        outbox = FileTransport(folder / _OUTBOX, now=lambda: _RAN_UNTIL, letterheads={})
        return WaysOut(practice_id="main", transports={"sms": outbox} if can_be_asked else {})

    rules = RestoreRules(
        ways=ways,
        concern_due=lambda _, at: at + timedelta(days=1),
        now=_RAN_UNTIL,
        keyring=KEYS,
        replace=True,
    )
    return restore(place, copy, rules)


def _prove_nobody_is_told_twice(database: Database, folder: Path, lost: set[int], done: Restored) -> None:
    """Send what is due from the restored database: nothing that had gone out, and nothing of which nobody knows."""
    clock = VirtualClock(_RAN_UNTIL)
    outbox = folder / f"{_SECOND_OUTBOX}-{done.report.uncertain}"
    worker = worker_over(database, FileTransport(outbox, now=clock.now, letterheads={}), clock)
    sent = worker.run_once().sent
    worker.close()
    with (outbox / "messages.jsonl").open("rb") as lines:
        told = {_number(line) for line in lines}
    assert len(told) == sent == done.report.stayed
    assert not told & lost
    with database.reading() as session:
        uncertain = session.execute(select(func.count()).where(MESSAGES.c.state == "uncertain")).scalar_one()
    assert uncertain == done.report.uncertain


def _sent_by(database: Database) -> set[int]:
    """Return the numbers of the messages that left the database before it was lost."""
    with database.reading() as session:
        return set(session.execute(select(MESSAGES.c.id).where(MESSAGES.c.state == "sent")).scalars())


def _number(line: bytes) -> int:
    key: str = json.loads(line)["key"]
    return int(key.rpartition("-")[2])
