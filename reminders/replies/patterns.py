"""What a pattern of a lexicon file means, and where it is found among the words of a reading."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import product
from typing import NamedTuple

_NEAR, _FAR, _SENTENCE = 3, 8, 16
_GAPS = {"..": _NEAR, "...": _FAR}
_JOINTS = frozenset({*_GAPS, "&", "&&"})

_NEW = tuple.__new__
"""Makes a named tuple in half the time, for it calls nothing of Python's."""

Name = str
"""What a place of a pattern names: `@toe` a class, `toe` or `toe*` a word or stem, `~dedo` one taken by its sound."""


class Place(NamedTuple):
    """One place of a pattern: what may stand there, and how many other words before it."""

    names: frozenset[Name]
    gap: int
    whole_sentence: bool = False
    """The words before it may lie in another clause of the sentence."""


class Line(NamedTuple):
    """One line of a file: every plain sequence of places that it stands for, and the words it names."""

    kind: str
    sequences: tuple[tuple[Place, ...], ...]
    words: tuple[Name, ...]
    """In their order, each as often as the line names it."""


class Weighed(NamedTuple):
    """One sequence of places, and which of them are met least often."""

    kind: str
    places: tuple[Place, ...]
    anchor: int
    """Met least of all."""
    rarest: int
    """Met least of the others."""


class Step(NamedTuple):
    """How the next place of a pattern is found from the one before."""

    step: int
    """1 or -1."""
    wanted: int
    """The bit of the place."""
    gap: int
    whole_sentence: bool
    from_anchor: bool
    """It starts anew at the anchor."""


class Pattern(NamedTuple):
    """A kind of finding and the places that show it, beginning at the anchor, the place met least often."""

    kind: str
    steps: tuple[Step, ...]
    """From the anchor to the end, then from the anchor to the beginning."""
    rarest: int
    """The bit of the place met least but for the anchor; 0 when there is none."""
    needs: int
    """The bits of all places but the anchor: a text without one of them can't match."""
    whole_sentence: bool
    """Its places may lie in several clauses."""


class Finding(NamedTuple):
    """A pattern found: its kind and the tokens that fill its places; a tuple, because so many are made."""

    kind: str
    at: tuple[int, ...]
    """In the order of the text."""

    @property
    def first(self) -> int:
        """The first token."""
        return self.at[0]

    @property
    def last(self) -> int:
        """The last token."""
        return self.at[-1]


def named(word: str, *, by_sound: bool) -> Name:
    """Give the name under which a word of a pattern is known."""
    return f"~{word}" if by_sound else word


def parse(kind: str, line: str, *, by_sound: bool) -> Line:
    """Read one line of a file."""
    whole = " && " in line
    words: list[Name] = []
    sides = [_sequences(side.split(), words, by_sound=by_sound) for side in line.split(" && " if whole else " & ")]
    orders = [sides] if len(sides) == 1 else [sides, sides[::-1]]
    sequences = []
    for order in orders:
        for parts in product(*order):
            places = list(parts[0])
            for head, *rest in parts[1:]:
                places += [Place(head.names, _SENTENCE if whole else _FAR, whole), *rest]
            sequences.append(tuple(places))
    return Line(kind, tuple(sequences), tuple(words))


def literals(line: str) -> Iterator[str]:
    """Every word and stem that a pattern line names itself, not by a class."""
    for word in line.split():
        if word not in _JOINTS:
            for name in word.rstrip("?").split("|"):
                if not name.startswith("@"):
                    yield from name.split("_")


def _sequences(line: Sequence[str], words: list[Name], *, by_sound: bool) -> list[tuple[Place, ...]]:
    """Give every sequence of places that one side of a line stands for, and add the words that it names to `words`."""
    places: list[list[tuple[Place, ...]]] = []
    gap = 0
    for word in line:
        if word in _GAPS:
            gap = max(gap, _GAPS[word])
            continue
        optional = word.endswith("?")
        names = (word.rstrip("?") if optional else word).split("|")
        phrases = [name for name in names if "_" in name and not name.startswith("@")]
        alone = [
            name if name.startswith("@") else named(name, by_sound=by_sound) for name in names if name not in phrases
        ]
        words += [name for name in alone if not name.startswith("@")]
        options: list[tuple[Place, ...]] = [(Place(frozenset(alone), gap),)] if alone else []
        for phrase in phrases:
            beside = [named(name, by_sound=by_sound) for name in phrase.split("_")]
            words += beside
            options.append(tuple(Place(frozenset((name,)), 0 if at else gap) for at, name in enumerate(beside)))
        places.append([*options, ()] if optional else options)
        gap = 0
    if all(len(options) == 1 for options in places):
        return [tuple([place for (option,) in places for place in option])]
    return [tuple([place for option in chosen for place in option]) for chosen in product(*places)]


def weighed(kind: str, places: tuple[Place, ...], sizes: Mapping[Name, int]) -> Weighed:
    """Find the anchor of a sequence of places; `sizes` say how often each name is met in a text."""
    try:
        weights = [sum([sizes[name] for name in place.names]) for place in places]
    except KeyError as missing:
        raise KeyError(f"a pattern uses {missing.args[0]}, which is no class") from None
    if len(places) == 1:
        return Weighed(kind, places, 0, 0)
    anchor, rarest, *_ = sorted(range(len(places)), key=weights.__getitem__)
    return Weighed(kind, places, anchor, rarest)


class Bits:
    """Every place of patterns beside their anchors as a bit, so that what a word may fill is one number."""

    SKIPPED = frozenset({"@degree"})
    SKIPPED_BIT = 1
    """The place of words that are skipped everywhere."""

    def __init__(self, sequences: Iterable[Weighed], sizes: Mapping[Name, int]) -> None:
        met = dict.fromkeys(
            one.names for _, places, anchor, _ in sequences for at, one in enumerate(places) if at != anchor
        )
        met.pop(self.SKIPPED, None)
        # Low bits to what is met most, so that most numbers are small.
        often = sorted(met, key=lambda names: -sum([sizes[name] for name in names]))
        self._of = {names: 1 << at for at, names in enumerate((self.SKIPPED, *often))}
        self._by_name: dict[Name, int] = {}
        for names, bit in self._of.items():
            for name in names:
                self._by_name[name] = self._by_name.get(name, 0) | bit

    def filled_by(self, names: Iterable[Name]) -> int:
        """Give the bits of all places at which one of these names may stand."""
        filled = 0
        for name in names:
            filled |= self._by_name.get(name, 0)
        return filled

    def pattern(self, one: Weighed) -> Pattern:
        """Give a sequence of places as a pattern, beginning at its anchor."""
        kind, places, anchor, rarest = one
        bits = [0 if at == anchor else self._of[place.names] for at, place in enumerate(places)]
        steps = []
        for at in range(anchor + 1, len(places)):
            _, gap, whole_sentence = places[at]
            steps.append(_NEW(Step, (1, bits[at], gap, whole_sentence, at == anchor + 1)))
        for at in range(anchor - 1, -1, -1):
            _, gap, whole_sentence = places[at + 1]
            steps.append(_NEW(Step, (-1, bits[at], gap, whole_sentence, at == anchor - 1)))
        needs = 0
        for bit in bits:
            needs |= bit
        across = any(step.whole_sentence for step in steps)
        return _NEW(Pattern, (kind, tuple(steps), bits[rarest], needs, across))


def match(
    pattern: Pattern, at: int, filled: Sequence[int], parts: tuple[Sequence[int], Sequence[int]]
) -> Finding | None:
    """Give the finding whose anchor is the token `at`, or None.

    `filled` are the places that each token may fill, `parts` its clause and its sentence, each with one number more
    that no part has.
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
            may_fill = filled[here]
            if may_fill & wanted:
                break
            if not may_fill & Bits.SKIPPED_BIT:
                if not left:
                    return None
                left -= 1
            here += step
        else:
            return None
        found.append(here)
    return _NEW(Finding, (pattern.kind, tuple(sorted(found))))
