"""A worker that a test may kill: `python -m tests.delivery.worker URL FOLDER` dispatches once what is due at noon."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Collection
from datetime import datetime, timedelta
from pathlib import Path

from reminders.clock import VirtualClock
from reminders.delivery import failpoints
from reminders.delivery.outgoing import Capabilities, LookUp
from reminders.delivery.transports.file import FileTransport
from tests.delivery.scripted import dispatcher
from tests.servers import open_database
from tests.stored import NOON

LEASE = timedelta(days=1)
BATCH = 10


class SmallFileTransport(FileTransport):
    """The file transport, with fewer messages in flight."""

    capabilities = Capabilities(
        channels=frozenset({"sms", "email"}),
        batch_size=BATCH,
        receipts=False,
        idempotency_key=False,
        status_query=True,
    )


class ForgetfulFileTransport(SmallFileTransport):
    """Hands over as well, but can't tell later what went out, as most gateways can't."""

    def look_up(self, keys: Collection[str]) -> LookUp:
        return LookUp()


def dispatch(url: str, folder: Path, *, at: datetime = NOON, forgetful: bool = False) -> None:
    """Dispatch what is due at an instant."""
    database = open_database(url)
    clock = VirtualClock(at)
    kind = ForgetfulFileTransport if forgetful else SmallFileTransport
    worker = dispatcher(database, kind(folder, now=clock.now, letterheads={}), clock=clock, lease=LEASE)
    worker.run_once()
    worker.close()
    database.close()


def in_child(work: Callable[[], None], *, failpoint: str = "") -> int:
    """Begin work in a process of its own that dies at a failpoint; return its number."""
    child = os.fork()
    if child:
        return child
    try:
        failpoints.arm(failpoint)
        work()
    except BaseException:  # noqa: BLE001  a child of a test must never go on as the test
        sys.excepthook(*sys.exc_info())
        os._exit(1)
    os._exit(0)


if __name__ == "__main__":
    dispatch(sys.argv[1], Path(sys.argv[2]))
