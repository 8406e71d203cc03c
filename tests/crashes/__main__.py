"""`python -m tests.crashes [--pairs N]` kills two workers at every pair of steps, on both databases; JSON a line."""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

from tests.crashes.matrix import PAIRS, Matrix
from tests.servers import fresh_database

MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""A kill loses nothing that was written, on the disk or not: so no step has to wait for one."""


def main() -> None:
    """Run the matrix; the first thing that is not true ends it with an AssertionError."""
    parser = argparse.ArgumentParser(prog="python -m tests.crashes", description=__doc__)
    parser.add_argument("--pairs", type=int, default=len(PAIRS), help="only the first N pairs (default: all)")
    given = parser.parse_args()
    kills = 0
    for kind in ("sqlite", "postgresql"):
        for forgetful in (False, True):
            with tempfile.TemporaryDirectory(prefix="reminders-crashes-", dir=MEMORY) as name:
                folder = Path(name)
                matrix = Matrix(fresh_database(kind, folder), folder, forgetful)
                matrix.begin()
                began = time.monotonic()
                for at, pair in enumerate(PAIRS[: given.pairs], 1):
                    matrix.run(pair)
                    if at % 14 == 0:
                        matrix.check()
                figures = matrix.check()
                kills += figures["kills"]
                seconds = round(time.monotonic() - began)
                told = {"database": kind, "transport_can_tell": not forgetful, **figures, "seconds": seconds}
                print(json.dumps(told), flush=True)  # noqa: T201
    print(json.dumps({"kills": kills}))  # noqa: T201


if __name__ == "__main__":
    main()
