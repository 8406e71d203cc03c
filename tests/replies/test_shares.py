"""The shares of replies triaged rightly, per set and per language; the sets' README says what they are."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from reminders.replies import Label, Triage, triage

SETS = Path(__file__).parent / "sets"
SERIOUS = {Label.EMERGENCY, Label.URGENT}
Scored = tuple[dict[str, str], Triage]


def scored(name: str) -> list[Scored]:
    with (SETS / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        (row, triage(row["text"], after=row["after_message"], language="es" if row["lang"] == "es" else "en"))
        for row in rows
    ]


NAMES = sorted(path.relative_to(SETS).with_suffix("").as_posix() for path in SETS.rglob("*.csv"))
ALL: dict[str, list[Scored]] = {name: scored(name) for name in NAMES}
POOLS = {
    **ALL,
    **{
        f"all {lang}": [one for name in NAMES for one in ALL[name] if one[0]["lang"] == lang]
        for lang in ("en", "es", "other")
    },
}


def share(
    pool: list[Scored], labels: set[str], right: Callable[[Triage], bool]
) -> tuple[float, list[tuple[str, str, str]]]:
    """Share of the rows of these labels for which it holds, 1 when there is none, and the misses."""
    rows = [one for one in pool if one[0]["label"] in labels]
    misses = [(row["id"], row["text"], result.label.value) for row, result in rows if not right(result)]
    return (1 - len(misses) / len(rows) if rows else 1.0), misses


def table(pool: list[Scored]) -> str:
    """What is measured, for the message of a failing test."""
    measures: list[tuple[str, set[str], Callable[[Triage], bool]]] = [
        ("serious ranked urgent or higher", {"emergency", "urgent"}, lambda r: r.label in SERIOUS),
        ("serious reaching a person", {"emergency", "urgent"}, lambda r: r.needs_person),
        ("emergencies ranked emergency", {"emergency"}, lambda r: r.label is Label.EMERGENCY),
        ("none closed", {"none"}, lambda r: not r.needs_person),
        ("stop honoured", {"stop"}, lambda r: r.opt_out),
        ("routine reaching a person", {"routine"}, lambda r: r.needs_person),
    ]
    lines = []
    for name, labels, right in measures:
        value, misses = share(pool, labels, right)
        lines.append(f"{name}: {value:.3f}")
        lines += [f"    {miss}" for miss in misses]
    return "\n".join(["", *lines])


@pytest.mark.parametrize("name", POOLS)
def test_serious_replies_are_ranked_urgent_or_higher(name: str) -> None:
    value, _ = share(POOLS[name], {"emergency", "urgent"}, lambda r: r.label in SERIOUS)

    assert value >= 0.99, table(POOLS[name])


@pytest.mark.parametrize("name", POOLS)
def test_every_serious_reply_reaches_a_person(name: str) -> None:
    value, _ = share(POOLS[name], {"emergency", "urgent"}, lambda r: r.needs_person)

    assert value == 1.0, table(POOLS[name])


@pytest.mark.parametrize("name", POOLS)
def test_emergencies_are_ranked_emergency(name: str) -> None:
    value, _ = share(POOLS[name], {"emergency"}, lambda r: r.label is Label.EMERGENCY)

    assert value >= 0.95, table(POOLS[name])


@pytest.mark.parametrize("name", POOLS)
def test_replies_that_need_nobody_are_closed(name: str) -> None:
    value, _ = share(POOLS[name], {"none"}, lambda r: not r.needs_person)

    assert value >= 0.90, table(POOLS[name])


@pytest.mark.parametrize("name", POOLS)
def test_every_stop_is_honoured_and_no_other_reply_is_ranked_stop(name: str) -> None:
    honoured, _ = share(POOLS[name], {"stop"}, lambda r: r.label is Label.STOP and r.opt_out)
    false_stops = [row["text"] for row, r in POOLS[name] if r.label is Label.STOP and row["label"] != "stop"]

    assert honoured == 1.0, table(POOLS[name])
    assert false_stops == []


@pytest.mark.parametrize("name", POOLS)
def test_replies_for_the_next_working_day_reach_a_person(name: str) -> None:
    value, _ = share(POOLS[name], {"routine"}, lambda r: r.needs_person)

    assert value >= 0.95, table(POOLS[name])


def test_listed_signs_are_mostly_found() -> None:
    rows = [one for name in NAMES for one in ALL[name]]
    listed = sum(len(set(filter(None, row["signs"].split(";")))) for row, _ in rows)
    found = sum(len(set(filter(None, row["signs"].split(";"))) & set(r.signs)) for row, r in rows)

    assert found / listed >= 0.90
