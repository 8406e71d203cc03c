"""Which patients a plan can tell apart: combinations of factors that meet the same conditions are one kind.

A factor counts in two ways: by its name, where an instruction or a text asks for it, and by the medicines it bars.
Factors that count the same are one; combinations with the same marks get the same messages at the same times.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

from reminders.care.plan import MEDICINE_MARKS, VISIT_MARKS, Plan

MOST_FREE_FACTORS = 14
"""Beyond so many factors that count differently, combinations of up to `MOST_TOGETHER` stand for all."""
MOST_TOGETHER = 4


@dataclass(frozen=True, kw_only=True)
class Kind:
    """The patients who meet the same conditions, by the fewest factors that make one."""

    factors: tuple[str, ...]
    marks: frozenset[str]
    """The conditions they meet, of those the plan asks for; without those of the visit."""


@dataclass(frozen=True, kw_only=True)
class Population:
    """Every kind of patient that a plan can tell apart."""

    kinds: tuple[Kind, ...]
    """Fewest factors first."""
    combinations: int
    """How many combinations of all known factors they stand for."""
    complete: bool
    """False when there were too many factors to combine all."""


def conditions_of(plan: Plan) -> frozenset[str]:
    """Return every condition that an instruction or a text of the plan asks for, medicines always among them."""
    asked = {
        mark
        for each in plan.instructions
        for mark in (
            *each.only_if_any,
            *each.not_if_any,
            *each.words_change_with,
            *(mark for choice in each.texts for mark in (*choice.if_any, *choice.if_all)),
        )
    }
    return frozenset(asked - set(VISIT_MARKS)) | frozenset(MEDICINE_MARKS)


def population(plan: Plan) -> Population:
    """Return the kinds of patients of a plan; the first is the patient without any factor."""
    asked = conditions_of(plan)
    alike: dict[frozenset[str], str] = {}
    for name, factor in plan.factors.items():
        # A factor that the plan does not list counts by the medicines it bars only.
        marks = frozenset({name, *factor.medicine_marks} if name in plan.file.factors else factor.medicine_marks)
        if marks & asked:
            alike.setdefault(marks & asked, name)
    free = list(alike.items())
    complete = len(free) <= MOST_FREE_FACTORS
    kinds: dict[frozenset[str], Kind] = {}
    for size in range((len(free) if complete else MOST_TOGETHER) + 1):
        for chosen in combinations(free, size):
            marks = frozenset[str]().union(*(each for each, _ in chosen))
            kinds.setdefault(marks, Kind(factors=tuple(name for _, name in chosen), marks=marks))
    return Population(kinds=tuple(kinds.values()), combinations=2 ** len(plan.factors), complete=complete)


@lru_cache(maxsize=8192)  # asked for by every part of the proof, and slow for thousands of kinds
def selection(plan: Plan, kind: Kind) -> tuple[tuple[str, str], ...]:
    """Return the instructions a kind of patient gets and the text of each, with a visit booked or not."""
    found: dict[tuple[str, str], None] = {}
    for visit in VISIT_MARKS:
        marks = kind.marks | {visit}
        for each in plan.instructions:
            if each.applies(marks):
                choice = each.text_choice(marks)
                found[each.key, choice.use if choice else each.key] = None
    return tuple(found)


def cover(kinds: Iterable[Kind], parts_of: Callable[[Kind], Iterable[Hashable]]) -> list[Kind]:
    """Return few kinds that together have every part that any kind has; those with few factors are preferred."""
    parts = [(kind, frozenset(parts_of(kind))) for kind in kinds]
    missing = {part for _, found in parts for part in found}
    chosen: list[Kind] = []
    while missing:
        kind, found = max(parts, key=lambda pair: (len(pair[1] & missing), -len(pair[0].factors)))
        missing -= found
        chosen.append(kind)
    return chosen


def fullest(plan: Plan, kinds: Iterable[Kind]) -> list[Kind]:
    """Return few kinds whose instructions together are all that any kind gets."""

    def keys(kind: Kind) -> Iterator[str]:
        yield from (key for key, _ in selection(plan, kind))

    return cover(kinds, keys)
