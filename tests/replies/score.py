"""Totals of labelled sets of replies, never their texts: `python tests/replies/score.py FILE...`.

A set is scored before any of its rows is read; what is printed here says nothing that could be learnt from.
"""

import argparse
import csv
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reminders.replies import Label, Triage, triage

SERIOUS = frozenset({Label.EMERGENCY, Label.URGENT})
Row = dict[str, str]
Scored = tuple[Row, Triage]


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One thing that is counted: of the rows with these labels, those whose result is right."""

    name: str
    labels: frozenset[str]
    right: Callable[[Triage], bool]


MEASURES = (
    Measure(
        name="serious ranked urgent or higher",
        labels=frozenset({"emergency", "urgent"}),
        right=lambda r: r.label in SERIOUS,
    ),
    Measure(
        name="serious reaching a person", labels=frozenset({"emergency", "urgent"}), right=lambda r: r.needs_person
    ),
    Measure(
        name="emergency ranked emergency", labels=frozenset({"emergency"}), right=lambda r: r.label is Label.EMERGENCY
    ),
    Measure(name="none closed", labels=frozenset({"none"}), right=lambda r: not r.needs_person),
    Measure(name="none not raised to urgent", labels=frozenset({"none"}), right=lambda r: r.label not in SERIOUS),
    Measure(name="stop honoured", labels=frozenset({"stop"}), right=lambda r: r.label is Label.STOP and r.opt_out),
    Measure(
        name="no false stop",
        labels=frozenset(Label) - {"stop"},
        right=lambda r: r.label is not Label.STOP,
    ),
    Measure(name="routine reaching a person", labels=frozenset({"routine"}), right=lambda r: r.needs_person),
    Measure(name="routine not raised to urgent", labels=frozenset({"routine"}), right=lambda r: r.label not in SERIOUS),
    Measure(
        name="wrong_person, start, help right",
        labels=frozenset({"wrong_person", "start", "help"}),
        right=lambda r: r.label in {Label.WRONG_PERSON, Label.START, Label.HELP},
    ),
)


def scored(path: Path) -> list[Scored]:
    """Every row of a set with its triage."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        (row, triage(row["text"], after=row["after_message"], language="es" if row["lang"] == "es" else "en"))
        for row in rows
    ]


def count(pool: Iterable[Scored], measure: Measure) -> tuple[int, int]:
    """How many rows are right, and how many there are."""
    results = [result for row, result in pool if row["label"] in measure.labels]
    return sum(measure.right(result) for result in results), len(results)


def main(arguments: Sequence[str]) -> None:
    """Print the totals of each file, for all rows and by language."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    for path in parser.parse_args(arguments).files:
        pool = scored(path)
        sys.stdout.write(f"{path.stem}\n{'':33}{'all':>10}{'en':>10}{'es':>10}{'other':>10}\n")
        for measure in MEASURES:
            parts = [pool, *([one for one in pool if one[0]["lang"] == lang] for lang in ("en", "es", "other"))]
            counts = ["/".join(map(str, count(part, measure))) for part in parts]
            sys.stdout.write(f"{measure.name:33}" + "".join(f"{one:>10}" for one in counts) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
