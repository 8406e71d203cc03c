"""`python -m tests.fuzz [--n 1000000] [--reader NAME] [--seed 1]`: one JSON line for each reader; exit 1 for a finding.

A finding is an error that the reader does not announce, or an input that it takes longer than two seconds over. It is
written to a file, and its line says how to try it again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import time
from pathlib import Path

from tests.fuzz.readers import readers
from tests.fuzz.run import run


def main() -> int:
    """Give every reader its share of the inputs."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--n", type=int, default=20_000, help="how many inputs in all (default: 20,000)")
    parser.add_argument("--reader", help="one reader only")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-findings"), help="where findings are written")
    parser.add_argument("--try", dest="again", type=Path, help="give this file to --reader once")
    given = parser.parse_args()
    known = readers()
    chosen = {given.reader: known[given.reader]} if given.reader else known
    if given.again:
        chosen[given.reader].read(given.again.read_bytes())
        return 0
    shares = sum(each.share for each in chosen.values())
    found = 0
    for name, reader in chosen.items():
        count = max(1, round(given.n * reader.share / shares))
        began = time.monotonic()
        report = run(reader, count, seed=given.seed)
        line = {"reader": name, "inputs": count, "read": report.read, "refused": report.refused}
        for finding in report.findings:
            given.keep.mkdir(exist_ok=True)
            path = given.keep / f"{name}-{hashlib.sha256(finding.octets).hexdigest()[:12]}"
            path.write_bytes(finding.octets)
            again = f"python -m tests.fuzz --reader {name} --try {path}"
            print(json.dumps({"reader": name, "finding": finding.what, "again": again}), flush=True)  # noqa: T201
        found += len(report.findings)
        print(json.dumps({**line, "seconds": round(time.monotonic() - began, 1)}), flush=True)  # noqa: T201
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
