"""The most memory that a worker ever held, in a process of its own, with a small and a large backlog."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.backlog import Figure, fill, new_database
from tests.servers import url_of

_WORKER = """
import sys
from pathlib import Path
from reminders.clock import VirtualClock
from tests.benchmarks.backlog import ALL_DUE, file_dispatcher
from reminders.delivery import runner
from tests.servers import open_database

worker = file_dispatcher(open_database(sys.argv[1]), Path(sys.argv[2]), VirtualClock(ALL_DUE))
worker.run_once(limit=20_000)
print(Path("/proc/self/status").read_text())
"""


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure with 10,000 and with `n` (a million) pending."""
    peaks = []
    for pending in (10_000, n or 1_000_000):
        last = pending == (n or 1_000_000)
        database = new_database(url if last else None, folder, f"of-{pending}")
        fill(database, pending)
        address = url_of(database)
        database.close()
        done = subprocess.run(
            [sys.executable, "-c", _WORKER, address, str(folder / "out")], capture_output=True, text=True, check=True
        )
        found = re.search(r"VmHWM:\s+(\d+) kB", done.stdout)
        if found is None:
            raise RuntimeError("this system does not tell how much memory a process held")
        peaks.append(int(found[1]) / 1024)
        yield {"figure": "peak_megabytes", "pending": pending, "value": round(peaks[-1])}
    yield {"figure": "growth", "value": round(peaks[1] / peaks[0], 2)}
