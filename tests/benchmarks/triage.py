"""Replies triaged a second on one core, in processor time, so that other work on the machine counts little."""

from __future__ import annotations

import csv
import time
from collections.abc import Iterator
from pathlib import Path

from reminders.replies import triage

SETS = Path(__file__).parents[1] / "replies" / "sets"
ROUNDS = 5
TO_COMPILE = ("my toe is sore", "me duele el dedo", "mir geht es gut danke", "tranquila, me duele the toe so bad")
"""A reply for each combination of languages that has words of its own to read it with."""


def run(n: int | None, url: str | None, folder: Path) -> Iterator[dict[str, object]]:
    """Triage all labelled sets, `n` rounds over; the first round, in which words are met anew, is told apart.

    What a process does once, reading and compiling the lexicons, is told apart from both.
    """
    rows: list[dict[str, str]] = []
    for path in sorted(SETS.rglob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows += csv.DictReader(file)
    begin = time.process_time()
    for text in TO_COMPILE:
        triage(text)
    compiling = time.process_time() - begin
    rates = []
    for _ in range(1 + (n or ROUNDS)):
        begin = time.process_time()
        for row in rows:
            triage(row["text"], after=row["after_message"])
        rates.append(len(rows) / (time.process_time() - begin))
    yield {"figure": "replies_per_second", "n": len(rows), "value": round(max(rates[1:]))}
    yield {"figure": "replies_per_second_of_new_words", "n": len(rows), "value": round(rates[0])}
    yield {"figure": "seconds_to_compile_the_lexicons", "n": 1, "value": round(compiling, 2)}
