"""What a pattern of a lexicon file means, and where it is found among the words of a reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

_NEAR, _FAR, _SENTENCE = 3, 8, 16
_GAPS = {"..": _NEAR, "...": _FAR}


@dataclass(frozen=True, slots=True)
class Item:
    """One place of a pattern: which words may stand there, and how many others before it."""

    mask: int
    gap: int = 0
    whole_sentence: bool = False
    """The words before it may lie in another clause of the sentence."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """A kind of finding and the places that show it; `anchor` is the place met least often."""

    kind: str
    items: tuple[Item, ...]
    anchor: int
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


@dataclass(frozen=True, slots=True)
class Ground:
    """What matching needs of a reading: each token's classes and parts, and the classes skipped everywhere."""

    masks: Sequence[int]
    clause: Sequence[int]
    sentence: Sequence[int]
    skipped: int


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
            yield Pattern(kind, tuple(items), order_met[0], needs)


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


def match(pattern: Pattern, at: int, ground: Ground) -> Finding | None:
    """Give the finding whose anchor is the token `at`, or None."""
    items, anchor = pattern.items, pattern.anchor
    found = [at]
    here = at
    for place in range(anchor + 1, len(items)):
        here = _reach(here, 1, items[place].mask, items[place], ground)
        if here < 0:
            return None
        found.append(here)
    here = at
    for place in range(anchor - 1, -1, -1):
        here = _reach(here, -1, items[place].mask, items[place + 1], ground)
        if here < 0:
            return None
        found.append(here)
    return Finding(pattern.kind, tuple(found))


def _reach(start: int, step: int, wanted: int, link: Item, ground: Ground) -> int:
    """Give the next token of the wanted classes in that direction, within the link's reach; -1 when there is none."""
    masks = ground.masks
    parts = ground.sentence if link.whole_sentence else ground.clause
    part, left, here = parts[start], link.gap, start + step
    while 0 <= here < len(masks) and parts[here] == part:
        mask = masks[here]
        if mask & wanted:
            return here
        if not mask & ground.skipped:
            if left == 0:
                return -1
            left -= 1
        here += step
    return -1
