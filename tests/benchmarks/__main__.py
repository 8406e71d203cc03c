"""`python -m tests.benchmarks NAME [--n N] [--postgresql | --database URL]` prints one JSON line for each figure."""

from __future__ import annotations

import argparse
import json
import tempfile
from importlib import import_module
from pathlib import Path

from tests.servers import PostgreSQLServer

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
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--database", help="an empty PostgreSQL database; without it a SQLite file is made")
    where.add_argument("--postgresql", action="store_true", help="a PostgreSQL server is started for it, fsync and all")
    parser.add_argument(
        "--folder", help="where files are made: the disk that is measured (default: a temporary folder)"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder, prefix="reminders-benchmark-") as folder:
        url = _own_server() if given.postgresql else given.database
        for figure in import_module(BENCHMARKS[given.name]).run(given.n, url, Path(folder)):
            print(json.dumps({"benchmark": given.name, **figure}), flush=True)  # noqa: T201


def _own_server() -> str:
    """Start a server set up as a small one should be, a quarter of 4 GB and rare checkpoints (common practice)."""
    return PostgreSQLServer(fsync="on", shared_buffers="1GB", max_wal_size="4GB").create("benchmark")


if __name__ == "__main__":
    main()
