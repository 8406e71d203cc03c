"""The shares of replies triaged rightly, per set and per language; the sets' README says what they are."""

import csv
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from reminders.replies import Label, Triage, triage

SETS = Path(__file__).parent / "sets"
SERIOUS = {Label.EMERGENCY, Label.URGENT}
LANGUAGES = ("en", "es", "other")
Scored = tuple[dict[str, str], Triage]


@cache
def pools() -> dict[str, list[Scored]]:
    """Every set by its name, all rows of a language together, and all rows."""
    names = sorted(path.relative_to(SETS).with_suffix("").as_posix() for path in SETS.rglob("*.csv"))
    found = {name: scored(name) for name in names}
    every = [one for name in names for one in found[name]]
    by_language = {f"all {lang}": [one for one in every if one[0]["lang"] == lang] for lang in LANGUAGES}
    return {**found, **by_language, "all": every}


def scored(name: str) -> list[Scored]:
    with (SETS / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [
        (row, triage(row["text"], after=row["after_message"], language="es" if row["lang"] == "es" else "en"))
        for row in rows
    ]


@pytest.mark.parametrize(
    ("labels", "least", "right"),
    [
        pytest.param({"emergency", "urgent"}, 0.99, lambda r: r.label in SERIOUS, id="serious: urgent or higher"),
        pytest.param({"emergency", "urgent"}, 1, lambda r: r.needs_person, id="serious: reaches a person"),
        pytest.param({"emergency"}, 0.95, lambda r: r.label is Label.EMERGENCY, id="emergency: ranked so"),
        pytest.param({"none"}, 0.90, lambda r: not r.needs_person, id="none: closed"),
        pytest.param({"stop"}, 1, lambda r: r.label is Label.STOP and r.opt_out, id="stop: honoured"),
        pytest.param({"routine"}, 0.95, lambda r: r.needs_person, id="routine: reaches a person"),
    ],
)
def test_replies_are_judged_rightly_in_every_set_and_language(
    labels: set[str], least: float, right: Callable[[Triage], bool]
) -> None:
    too_many = {}
    for name, pool in pools().items():
        rows = [one for one in pool if one[0]["label"] in labels]
        misses = [(row["id"], row["text"], result.label.value) for row, result in rows if not right(result)]
        if rows and 1 - len(misses) / len(rows) < least:
            too_many[f"{name}: {len(misses)} of {len(rows)}"] = misses
    assert too_many == {}


def test_no_other_reply_is_ranked_stop() -> None:
    ranked = [(row["id"], row["text"], row["label"]) for row, r in pools()["all"] if r.label is Label.STOP]
    assert [each for each in ranked if each[-1] != "stop"] == []


def test_listed_signs_are_mostly_found() -> None:
    rows = pools()["all"]
    listed = sum(len(set(filter(None, row["signs"].split(";")))) for row, _ in rows)
    found = sum(len(set(filter(None, row["signs"].split(";"))) & set(r.signs)) for row, r in rows)

    assert found / listed >= 0.90
