"""What a lexicon file holds, and what is known of each word once files are compiled.

A file names classes of words and, for each kind of finding, patterns over them:

    by_sound = true                                      words are compared by Spanish sound
    [classes]      digit = "toe toes toenail*"           a star stands for any ending
    [patterns]     "sign.cold" = ["@digit .. @cold"]

In a pattern `@name` is a class, `a|b` either, `a_b` the phrase "a b" as one of several, `word?` may be missing, `..`
skips up to three words, `...` up to eight, `A & B` is both in either order within eight words of one clause, `A && B`
within sixteen of one sentence. Words of the class `degree` ("so", "really") are skipped everywhere. `[?]` is a question
mark.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import accumulate, chain
from typing import NamedTuple

from reminders.replies.patterns import Bits, Name, Pattern, Weighed, weighed
from reminders.replies.remembering import Remembered
from reminders.replies.spelling import meant_by, without_elision
from reminders.replies.vocabulary import Vocabulary, spelt, vocabulary

_WRITTEN_ONTO = frozenset("وف")
"""The Arabic "and" and "so", written onto the word they stand before."""
_SHORTEST_JOINED = 3
_LITERAL = 1
"""The bit of every word that a pattern names itself; the other bits are classes."""
_OFTEN = 100
"""How much oftener than another a word of the class `common` is met."""


Ordered = tuple[int, int, Pattern]
"""A pattern behind its place in order and the bits of the places it needs."""
ByRarest = Mapping[int, Sequence[Ordered]]
"""Patterns by the bit of the place, beside their anchor, that is filled least often."""


class Anchor(NamedTuple):
    """The patterns that begin at one class or word, or at any that one word is of, in the order of the files."""

    alone: tuple[str, ...]
    """The kinds of finding that it is by itself."""
    near: ByRarest
    """Patterns that need other words of the clause."""
    across: ByRarest
    """Those that need other words of the sentence."""


class Entry(NamedTuple):
    """What is known of one word: its classes as bits (0 when unknown), and the patterns it may anchor."""

    mask: int
    fills: int
    """The places of patterns begun by other words at which it may stand."""
    anchor: Anchor
    near: int
    """The places of which one must be filled in the clause, or nothing near is found."""
    across: int
    """The same in the sentence."""
    guessed: bool
    """Nothing but a slip away from what it is taken for."""


_NO_ANCHOR = Anchor((), {}, {})


class Lexicon:
    """Compiled words and patterns of one or more languages; look-ups are remembered."""

    def __init__(self, vocabularies: tuple[Vocabulary, ...], *, modest: bool) -> None:
        self.modest = modest
        """Some of its languages have a short list only."""
        self._vocabularies = vocabularies
        self.entries = Remembered(self._looked_up)
        """What is known of each word."""
        self._known: Remembered[str, bool] = Remembered(lambda word: any(one.knows(word) for one in vocabularies))
        self.unions = Remembered(self._union_of)
        """The bits of classes together, by their names; a class that no file has adds none."""
        self.numbers: dict[str, float] = {}
        """Number words and their values."""
        for one in vocabularies:
            self.numbers.update(one.source.numbers)
        alike: dict[bool, list[Vocabulary]] = {}
        for one in vocabularies:
            alike.setdefault(one.source.by_sound, []).append(one)
        self._alike = tuple(alike.values())
        """Those that share one spelling rule."""
        sizes = _Sizes(vocabularies)
        self._classes = {name: 2 << at for name, at in sizes.order.items()}
        sequences = _weighed(vocabularies, sizes)
        self._begun = _by_anchor(sequences, sizes.order)
        ends = accumulate(len(ones) for ones in self._begun.values())
        self._starts = dict(zip(self._begun, chain((0,), ends), strict=False))
        """How many patterns stand before those of a name."""
        self._bits = Bits(sequences, sizes.of)
        self._anchors: dict[Name, Anchor] = {}
        self.skipped = Entry(self.mask("degree"), self._bits.filled_by(Bits.SKIPPED), _NO_ANCHOR, 0, 0, guessed=True)
        """What a mark is taken for that no file has."""

    def mask(self, *names: str) -> int:
        """Give the bits of classes together; a class that no file has adds none."""
        return self.unions[names]

    def knows(self, word: str) -> bool:
        """Whether the word is in a file just as it is written."""
        return self._known[word]

    def resembles(self, word: str) -> int:
        """Give the classes of every known word that is one slip away."""
        return self._mask_of(
            name
            for group in self._alike
            for known in {near for one in group for near in one.misses.near(word)}
            for one in group
            for name in one.names(known)
        )

    def entry(self, word: str) -> Entry:
        """Tell what is known of a folded word by its spelling, stem or sound, else by a slip."""
        return self.entries[word]

    def _union_of(self, names: tuple[str, ...]) -> int:
        return _union(self._classes.get(f"@{name}", 0) for name in names)

    def _looked_up(self, word: str) -> Entry:
        names = self._by_form(word)
        guessed = not names
        if word.isalpha() and not self.knows(word) and not any(word in one.targets for one in self._vocabularies):
            # a stem may swallow a slip: "pressuure" begins like "pressed"
            for group in self._alike:
                meant = meant_by(word, (near for one in group for near in one.misses.near(word)))
                names |= {name for one in group for known in meant for name in one.names(known)}
        # In the order of the files, which decides between patterns that say the same.
        begun = sorted(self._starts.keys() & names, key=self._starts.__getitem__)
        anchor = _joined([self._anchor(name) for name in begun])
        return Entry(
            mask=self._mask_of(names),
            fills=self._bits.filled_by(names),
            anchor=anchor,
            near=_union(anchor.near),
            across=_union(anchor.across),
            guessed=guessed,
        )

    def _by_form(self, word: str) -> set[Name]:
        dropped: set[Name] = set()
        if word.endswith("in") and self.knows(word + "g"):  # "watchin" is "watching", whatever stem it begins with
            dropped = self._exact(word + "g")
        for form in _forms(word, elided=self.modest):
            names = self._exact(form) | dropped
            if names:
                return names
        return set()

    def _exact(self, word: str) -> set[Name]:
        return {name for one in self._vocabularies for name in one.names(word)}

    def _mask_of(self, names: Iterable[Name]) -> int:
        return _union(self._classes.get(name, _LITERAL) for name in names)

    def _anchor(self, name: Name) -> Anchor:
        anchor = self._anchors.get(name)
        if anchor is None:
            patterns = [self._bits.pattern(one) for one in self._begun[name]]
            anchor = self._anchors[name] = _grouped(patterns, self._starts[name])
        return anchor


def _grouped(patterns: Iterable[Pattern], start: int) -> Anchor:
    alone: dict[str, None] = {}  # in order, and each once
    near: dict[int, list[Ordered]] = {}
    across: dict[int, list[Ordered]] = {}
    for order, pattern in enumerate(patterns, start):
        if not pattern.needs:
            alone[pattern.kind] = None
        else:
            (across if pattern.whole_sentence else near).setdefault(pattern.rarest, []).append(
                (order, pattern.needs, pattern)
            )
    return Anchor(tuple(alone), near, across)


def _joined(anchors: Sequence[Anchor]) -> Anchor:
    """Give the patterns of several anchors as those of one."""
    if len(anchors) == 1:
        return anchors[0]
    alone = tuple(dict.fromkeys(kind for one in anchors for kind in one.alone))
    return Anchor(alone, _merged([one.near for one in anchors]), _merged([one.across for one in anchors]))


def _merged(groups: Sequence[ByRarest]) -> ByRarest:
    merged: dict[int, Sequence[Ordered]] = {}
    for group in groups:
        for place, ones in group.items():
            merged[place] = [*merged.get(place, ()), *ones]
    return merged


def _union(bits: Iterable[int]) -> int:
    union = 0
    for bit in bits:
        union |= bit
    return union


def _forms(word: str, *, elided: bool) -> Iterator[str]:
    """Yield the word and what it may be written for; `elided` says that an article may be joined to it."""
    yield word
    if elided and (bare := without_elision(word)):
        yield bare
    once = "".join(c for at, c in enumerate(word) if not at or c != word[at - 1])
    if once != word:
        yield once
    if word.endswith("in"):
        yield word + "g"
    if len(word) > _SHORTEST_JOINED and word[0] in _WRITTEN_ONTO:
        yield word[1:]


class _Sizes:
    """How often each class, and each word that patterns name, may be met in a text, as far as files have been read."""

    def __init__(self, vocabularies: Iterable[Vocabulary]) -> None:
        self.of: dict[Name, int] = {}
        self._common: set[tuple[bool, bool, str]] = set()
        """Spelling rule, whether it is a stem, and form of every word of the class `common`."""
        self._often: dict[Name, int] = {}
        for one in vocabularies:
            self._count_classes(one)
        self.order = {name: at for at, name in enumerate(self.of)}
        """The place of each name among all."""

    def _count_classes(self, vocabulary: Vocabulary) -> None:
        by_sound, common = vocabulary.source.by_sound, self._common
        for name, words in vocabulary.classes.items():
            if name == "@common":
                common.update((by_sound, word.stem, form) for word in words for form in word.forms)
            size = sum([_OFTEN if (by_sound, stem, forms[0]) in common else 1 for stem, forms in words])
            if words:
                self.of[name] = self.of.get(name, 0) + size

    def count(self, words: Iterable[Name]) -> None:
        """Count words that a pattern names."""
        for name in words:
            often = self._often.get(name)
            if often is None:
                by_sound = name[0] == "~"
                word = spelt(name.removeprefix("~"), by_sound=by_sound)
                often = _OFTEN if (by_sound, word.stem, word.forms[0]) in self._common else 1
                self._often[name] = often
                self.order[name] = len(self.order)
                self.of[name] = 0
            self.of[name] += often


def _weighed(vocabularies: Iterable[Vocabulary], sizes: _Sizes) -> list[Weighed]:
    """Give all sequences of places in the order of the files; how often a word is named counts up to its line."""
    sequences: list[Weighed] = []
    for one in vocabularies:
        for kind, alternatives, words in one.lines:
            sizes.count(words)
            sequences += [weighed(kind, places, sizes.of) for places in alternatives]
    return sequences


def _by_anchor(sequences: Iterable[Weighed], order: Mapping[Name, int]) -> dict[Name, list[Weighed]]:
    """Give them by each name of their anchors."""
    begun: dict[Name, list[Weighed]] = {}
    for one in sequences:
        for name in sorted(one.places[one.anchor].names, key=order.__getitem__):
            begun.setdefault(name, []).append(one)
    return begun


@lru_cache(maxsize=64)
def lexicon(*names: str) -> Lexicon:
    """Give the compiled lexicon of the languages named; classes of one name are shared between them."""
    modest = not {"en", "es", "emoji"}.issuperset(names)
    return Lexicon(tuple(vocabulary(name) for name in names), modest=modest)
