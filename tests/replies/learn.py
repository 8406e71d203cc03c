"""Learn `reminders/replies/likeness.tsv` from the labelled sets: `PYTHONPATH=. python tests/replies/learn.py`.

A linear support vector machine with squared hinge loss, solved in the dual one row at a time (C.-J. Hsieh et al., "A
dual coordinate descent method for large-scale linear SVM", ICML 2008); the same sets give the same weights. Sets in
`kept` are never learnt from. `--without NAME` leaves a set out and prints how its rows are weighed, and writes
nothing.
"""

import argparse
import csv
import random
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import reminders.replies.likeness as module
from reminders.replies.reading import read

SETS = Path(__file__).parent / "sets"
WRITTEN = Path(module.__file__).parent / "likeness.tsv"
ROWS_NEEDED = 3  # a word or piece met in fewer rows says more of the row than of the language
COST = 0.3
ROUNDS = 15
HEADS = (
    frozenset({"emergency", "urgent"}),
    frozenset({"emergency"}),
    frozenset({"emergency", "urgent", "routine"}),
)
CONTROL = frozenset({"stop", "start", "help", "wrong_person"})
Weights = tuple[float, ...]
"""One for each head."""
Features = dict[int, float]


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """One labelled row and the features it shows, each with how much."""

    label: str
    shows: dict[str, float]


def lesson(row: dict[str, str]) -> Lesson:
    """What there is to learn from a row."""
    reading = read(row["text"])
    size = max(1, len(reading.tokens)) ** 0.5
    counts = Counter(module.features(reading, row["after_message"]))
    return Lesson(label=row["label"], shows={name: count / size for name, count in counts.items()})


def lessons(path: Path) -> list[Lesson]:
    """All rows of a set but the control messages, which are judged before and never weighed."""
    with path.open(encoding="utf-8", newline="") as file:
        return [lesson(row) for row in csv.DictReader(file) if row["label"] not in CONTROL]


def every_lesson(left_out: str | None = None) -> list[Lesson]:
    """All rows of all sets but one and those kept."""
    return [one for path in sorted(SETS.glob("*.csv")) if path.stem != left_out for one in lessons(path)]


def learn(rows: Sequence[Lesson]) -> dict[str, Weights]:
    """The weight of each feature towards serious, towards emergency and towards a reply that a person must read."""
    met = Counter(name for row in rows for name in row.shows)
    names = sorted(name for name, count in met.items() if count >= ROWS_NEEDED)
    place = {name: at for at, name in enumerate(names)}
    shown = [{place[name]: much for name, much in row.shows.items() if name in place} for row in rows]
    heads = [_separate(shown, [row.label in labels for row in rows], len(names)) for labels in HEADS]
    return {name: tuple(head[at] for head in heads) for name, at in place.items()}


def _separate(shown: Sequence[Features], wanted: Sequence[bool], size: int) -> list[float]:
    """The plane between the rows that are wanted and the others, which weigh the same together."""
    share = {side: len(wanted) / (2 * max(1, wanted.count(side))) for side in (True, False)}
    weights, alphas = [0.0] * size, [0.0] * len(shown)
    order = list(range(len(shown)))
    rng = random.Random(0)
    for _ in range(ROUNDS):
        rng.shuffle(order)
        for at in order:
            side, row = (1.0 if wanted[at] else -1.0), shown[at]
            slack = 1 / (2 * COST * share[wanted[at]])
            gradient = side * sum(weights[name] * much for name, much in row.items()) - 1 + slack * alphas[at]
            curve = sum(much * much for much in row.values()) + slack
            before = alphas[at]
            alphas[at] = max(0.0, before - gradient / curve)
            step = (alphas[at] - before) * side
            if step:
                for name, much in row.items():
                    weights[name] += step * much
    return weights


def written(weights: dict[str, Weights], rows: int) -> str:
    """The file of weights; what rounds to nothing is left out."""
    head = f"# Learnt by tests/replies/learn.py from {rows} invented replies of tests/replies/sets; thousandths.\n"
    rounded = {name: [round(one * module.SCALE) for one in heads] for name, heads in weights.items()}
    return head + "".join(
        "\t".join([name, *map(str, heads)]) + "\n" for name, heads in sorted(rounded.items()) if any(heads)
    )


def weigh(weights: dict[str, Weights], row: Lesson) -> Weights:
    """How much a row reads like those of each head."""
    both = [(weights[name], much) for name, much in row.shows.items() if name in weights]
    return tuple(sum(one[head] * much for one, much in both) for head in range(len(HEADS)))


def main(arguments: Sequence[str]) -> None:
    """Write the weights, or try them on a set left out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--without", metavar="NAME")
    left_out = parser.parse_args(arguments).without
    rows = every_lesson(left_out)
    weights = learn(rows)
    if left_out is None:
        WRITTEN.write_text(written(weights, len(rows)), encoding="utf-8")
        return
    for row in lessons(SETS / f"{left_out}.csv"):
        sys.stdout.write(f"{row.label:13}" + "".join(f"{one:7.2f}" for one in weigh(weights, row)) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
