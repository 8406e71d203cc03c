"""`python -m tests.benchmarks NAME [--n N] [--database URL]` prints one JSON line for each figure."""

from __future__ import annotations

import argparse
import json
import tempfile
from importlib import import_module
from pathlib import Path

BENCHMARKS = {
    "audit": "tests.benchmarks.audit",
    "dispatch": "tests.benchmarks.dispatch",
    "enroll": "tests.benchmarks.enroll",
    "insert": "tests.benchmarks.insert",
    "lateness": "tests.benchmarks.lateness",
    "memory": "tests.benchmarks.memory",
    "pages": "tests.benchmarks.pages",
    "restore": "tests.benchmarks.restore",
    "smpp": "tests.benchmarks.smpp",
    "smtp": "tests.benchmarks.smtp",
    "workers": "tests.benchmarks.workers",
    "storm": "tests.benchmarks.storm",
    "triage": "tests.benchmarks.triage",
}
"""Name → module with `run(n, url, folder)`, which yields figures; `n` and `url` are None when not given."""


def main() -> None:
    """Run one benchmark in a folder of its own, which is removed afterwards."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("name", choices=sorted(BENCHMARKS))
    parser.add_argument("--n", type=int, help="how many messages (each benchmark has its own default)")
    parser.add_argument("--database", help="an empty PostgreSQL database; without it a SQLite file is made")
    parser.add_argument(
        "--folder", help="where files are made: the disk that is measured (default: a temporary folder)"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder, prefix="reminders-benchmark-") as folder:
        for figure in import_module(BENCHMARKS[given.name]).run(given.n, given.database, Path(folder)):
            print(json.dumps({"benchmark": given.name, **figure}), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
