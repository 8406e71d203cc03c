"""What a pattern of a lexicon file means, and where it is found among the words of a reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

_NEAR, _FAR, _SENTENCE = 3, 8, 16
_GAPS = {"..": _NEAR, "...": _FAR}
_JOINTS = frozenset({*_GAPS, "&", "&&"})


@dataclass(frozen=True, slots=True)
class Item:
    """One place of a pattern: which words may stand there, and how many others before it."""

    mask: int
    gap: int = 0
    whole_sentence: bool = False
    """The words before it may lie in another clause of the sentence."""


class Step(NamedTuple):
    """How the next place of a pattern is found from the one before."""

    step: int
    """1 or -1."""
    wanted: int
    gap: int
    whole_sentence: bool
    from_anchor: bool
    """It starts anew at the anchor."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A kind of finding and the places that show it, beginning at the anchor, the place met least often."""

    kind: str
    held: int
    """The classes of the anchor."""
    steps: tuple[Step, ...]
    """From the anchor to the end, then from the anchor to the beginning."""
    needs: tuple[int, ...]
    """The classes of the other places, those met least first: a text without one of them can't match."""


class Finding(NamedTuple):
    """A pattern found: its kind and the tokens that fill its places; a tuple, because so many are made."""

    kind: str
    at: tuple[int, ...]

    @property
    def first(self) -> int:
        """The first token."""
        return self.at[0] if len(self.at) == 1 else min(self.at)

    @property
    def last(self) -> int:
        """The last token."""
        return self.at[0] if len(self.at) == 1 else max(self.at)


def parse(kind: str, line: str, *, bits: Callable[[str], int], weigh: Callable[[int], int]) -> Iterator[Pattern]:
    """Every plain sequence that one pattern line stands for."""
    whole = " && " in line
    sides = [tuple(_sequences(side.split(), bits)) for side in line.split(" && " if whole else " & ")]
    orders = [sides] if len(sides) == 1 else [sides, sides[::-1]]
    for order in orders:
        for parts in product(*order):
            items: list[Item] = list(parts[0])
            for head, *rest in parts[1:]:
                gap = _SENTENCE if whole else _FAR
                items += [replace(head, gap=gap, whole_sentence=whole), *rest]
            order_met = sorted(range(len(items)), key=lambda at: weigh(items[at].mask))
            needs = tuple(items[at].mask for at in order_met[1:])
            yield Pattern(kind, items[order_met[0]].mask, _steps(items, order_met[0]), needs)


def _steps(items: Sequence[Item], anchor: int) -> tuple[Step, ...]:
    steps = [
        Step(1, items[at].mask, items[at].gap, items[at].whole_sentence, at == anchor + 1)
        for at in range(anchor + 1, len(items))
    ]
    steps += [
        Step(-1, items[at].mask, items[at + 1].gap, items[at + 1].whole_sentence, at == anchor - 1)
        for at in range(anchor - 1, -1, -1)
    ]
    return tuple(steps)


def literals(line: str) -> Iterator[str]:
    """Every word and stem that a pattern line names itself, not by a class."""
    for word in line.split():
        if word not in _JOINTS:
            for name in word.rstrip("?").split("|"):
                if not name.startswith("@"):
                    yield from name.split("_")


def _sequences(words: Sequence[str], bits: Callable[[str], int]) -> Iterator[tuple[Item, ...]]:
    places: list[list[tuple[Item, ...]]] = []
    gap = 0
    for word in words:
        if word in _GAPS:
            gap = max(gap, _GAPS[word])
            continue
        names = word.rstrip("?").split("|")
        mask = 0
        phrases = [name for name in names if "_" in name and not name.startswith("@")]
        for name in names:
            mask |= 0 if name in phrases else bits(name)
        options: list[tuple[Item, ...]] = [(Item(mask, gap),)] if mask else []
        options += [_phrase(name.split("_"), gap, bits) for name in phrases]
        places.append([*options, ()] if word.endswith("?") else options)
        gap = 0
    for chosen in product(*places):
        yield tuple(item for option in chosen for item in option)


def _phrase(words: Sequence[str], gap: int, bits: Callable[[str], int]) -> tuple[Item, ...]:
    """Words that stand side by side, as one alternative of a place."""
    first, *rest = words
    return (Item(bits(first), gap), *(Item(bits(word)) for word in rest))


def match(
    pattern: Pattern, at: int, masks: Sequence[int], parts: tuple[Sequence[int], Sequence[int]], skipped: int
) -> Finding | None:
    """Give the finding whose anchor is the token `at`, or None.

    `masks` are each token's classes, `parts` its clause and its sentence, each with one number more that no part has,
    `skipped` the classes skipped everywhere.
    """
    found = [at]
    here = at
    for step, wanted, gap, whole_sentence, from_anchor in pattern.steps:
        if from_anchor:
            here = at
        part = parts[whole_sentence]
        own, left = part[here], gap
        here += step
        while part[here] == own:  # the number more ends it on both sides, for it stands at -1 too
            mask = masks[here]
            if mask & wanted:
                break
            if not mask & skipped:
                if not left:
                    return None
                left -= 1
            here += step
        else:
            return None
        found.append(here)
    return Finding(pattern.kind, tuple(found))
