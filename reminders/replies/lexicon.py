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

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from typing import NamedTuple

from reminders.replies.patterns import Pattern, parse
from reminders.replies.spelling import meant_by
from reminders.replies.vocabulary import Source, Vocabulary, spell, spelt, vocabulary

_WRITTEN_ONTO = frozenset("وف")
"""The Arabic "and" and "so", written onto the word they stand before."""
_SHORTEST_JOINED = 3
_MOST_REMEMBERED = 100_000  # words; beyond it a word is looked up anew


Needing = tuple[int, tuple[int, ...], Pattern]
"""A pattern with its place in the order of the files, before it, and the classes it needs besides."""


class Group(NamedTuple):
    """Patterns that need one class elsewhere."""

    need: int
    patterns: tuple[Needing, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """What is known of one word: its classes as bits (0 when unknown), and the patterns it may anchor."""

    mask: int
    alone: tuple[str, ...]
    """The kinds of finding that the word is by itself."""
    near: tuple[Group, ...]
    """Those that need another word of the clause, by the class of it that is met least."""
    across: tuple[Group, ...]
    """Those that need another word of the sentence."""
    wanted: int
    """The classes that patterns of the clause need."""
    guessed: bool
    """Nothing but a slip away from what it is taken for."""


class _Table:
    """The words of the languages that share one spelling rule."""

    def __init__(self, *, by_sound: bool) -> None:
        self.by_sound = by_sound
        self.words: dict[str, int] = {}
        self.stems: dict[str, int] = {}
        self.vocabularies: list[Vocabulary] = []

    def exact(self, word: str) -> int:
        """Give the classes of a folded word by its spelling rule, or of the stems it begins with, spelt or sounded."""
        key = spell(word, by_sound=self.by_sound)
        mask = self.words.get(key, 0) | self._stemmed(key)
        return mask if key == word else mask | self._stemmed(word)

    def _stemmed(self, word: str) -> int:
        mask = 0
        for end in range(2, len(word) + 1):
            mask |= self.stems.get(word[:end], 0)
        return mask

    def close(self, word: str) -> int:
        """Give the classes of the words that an unknown one may be a slip for."""
        return self._all(meant_by(word, self._near(word)))

    def resembles(self, word: str) -> int:
        """Give the classes of every known word one slip away."""
        return self._all(self._near(word))

    def _near(self, word: str) -> Iterator[str]:
        return chain.from_iterable(one.misses.near(word) for one in self.vocabularies)

    def _all(self, words: Iterable[str]) -> int:
        mask = 0
        for word in words:
            mask |= self.exact(word)
        return mask


class Lexicon:
    """Compiled words and patterns of one or two languages; look-ups are remembered."""

    def __init__(self, vocabularies: tuple[Vocabulary, ...], *, modest: bool) -> None:
        self.modest = modest
        """Some of its languages have a short list only."""
        self._vocabularies = vocabularies
        self._bits: dict[str, int] = {}
        self._sizes: dict[int, int] = {}
        self._often: dict[int, int] = {}
        self._anchored: dict[int, list[Pattern]] = {}
        self.remembered: dict[str, Entry] = {}
        """Words looked up before; `entry` fills it."""
        self._known: dict[str, bool] = {}
        self._tables: dict[bool, _Table] = {}
        self._classes: dict[str, int] = {}
        self.unions: dict[tuple[str, ...], int] = {}
        """Masks of classes together, as asked for before; `mask` fills it."""
        self.numbers: dict[str, float] = {}
        """Number words and their values."""
        sources = [one.source for one in vocabularies]
        for one, source in zip(vocabularies, sources, strict=True):
            table = self._tables.setdefault(source.by_sound, _Table(by_sound=source.by_sound))
            table.vocabularies.append(one)
            self.numbers.update(source.numbers)
            for name, words in source.classes.items():
                for word in words.split():
                    self._add(word, "@" + name, by_sound=source.by_sound)
        for source in sources:
            self._add_patterns(source)
        self._rank = {bit: rank for rank, bit in enumerate(self._anchored)}

    def mask(self, *names: str) -> int:
        """Give the bits of classes together; a class that no file has adds none."""
        mask = self.unions.get(names)
        if mask is None:
            mask = 0
            for name in names:
                mask |= self._classes.get(name, 0)
            self.unions[names] = mask
        return mask

    def knows(self, word: str) -> bool:
        """Whether the word is in a file just as it is written."""
        known = self._known.get(word)
        if known is None:
            known = any(one.knows(word) for one in self._vocabularies)
            if len(self._known) < _MOST_REMEMBERED:
                self._known[word] = known
        return known

    def resembles(self, word: str) -> int:
        """Give the classes of every known word that is one slip away."""
        mask = 0
        for table in self._tables.values():
            mask |= table.resembles(word)
        return mask

    def entry(self, word: str) -> Entry:
        """Tell what is known of a folded word by its spelling, stem or sound, else by a slip."""
        known = self.remembered.get(word)
        if known is None:
            known = self._looked_up(word)
            if len(self.remembered) < _MOST_REMEMBERED:
                self.remembered[word] = known
        return known

    def _looked_up(self, word: str) -> Entry:
        mask = self._by_form(word)
        guessed = mask == 0
        if word.isalpha() and not self.knows(word) and not any(word in one.targets for one in self._vocabularies):
            # a stem may swallow a slip: "pressuure" begins like "pressed"
            for table in self._tables.values():
                mask |= table.close(word)
        # In the order of the files, which decides between patterns that say the same.
        bits = sorted((bit for bit in _bits_of(mask) if bit in self._rank), key=self._rank.__getitem__)
        found = [pattern for bit in bits for pattern in self._anchored[bit]]
        alone = tuple(dict.fromkeys(pattern.kind for pattern in found if not pattern.needs))
        near, across = (_grouped(found, whole_sentence=whole) for whole in (False, True))
        wanted = 0
        for group in near:
            wanted |= group.need
        return Entry(mask, alone, near, across, wanted, guessed)

    def _by_form(self, word: str) -> int:
        dropped = 0
        if word.endswith("in") and self.knows(word + "g"):  # "watchin" is "watching", whatever stem it begins with
            dropped = self._exact(word + "g")
        for form in _forms(word):
            mask = self._exact(form) | dropped
            if mask:
                return mask
        return 0

    def _exact(self, word: str) -> int:
        mask = 0
        for table in self._tables.values():
            mask |= table.exact(word)
        return mask

    def _add(self, word: str, name: str, *, by_sound: bool) -> int:
        """Put a word or stem into a class or literal of that name; its bit."""
        table = self._tables[by_sound]
        bit = self._bits.setdefault(name, 1 << len(self._bits))
        if name.startswith("@"):
            self._classes[name[1:]] = bit
        known = spelt(word, by_sound=by_sound)
        target = table.stems if known.stem else table.words
        for form in known.forms:
            target[form] = target.get(form, 0) | bit
        self._often[bit] = 100 if target[known.forms[0]] & self._classes.get("common", 0) else 1
        self._sizes[bit] = self._sizes.get(bit, 0) + self._often[bit]
        return bit

    def _add_patterns(self, source: Source) -> None:
        def bits(name: str) -> int:
            if name.startswith("@"):
                if name not in self._bits:
                    raise KeyError(f"a pattern uses {name}, which is no class")
                return self._bits[name]
            literal = f"{name}:{source.by_sound}"
            bit = self._bits.get(literal)
            if bit is None:
                return self._add(name, literal, by_sound=source.by_sound)
            self._sizes[bit] += self._often[bit]  # met once more
            return bit

        for kind, lines in source.patterns.items():
            for line in lines:
                for pattern in parse(kind, line, bits=bits, weigh=self._weight):
                    for bit in _bits_of(pattern.held):
                        self._anchored.setdefault(bit, []).append(pattern)

    def _weight(self, mask: int) -> int:
        """How often a word of this mask is met in a text; the anchor is the place met least."""
        return sum(self._sizes[bit] for bit in _bits_of(mask))


def _grouped(patterns: Iterable[Pattern], *, whole_sentence: bool) -> tuple[Group, ...]:
    groups: dict[int, list[Needing]] = {}
    for order, pattern in enumerate(patterns):
        if pattern.needs and any(step.whole_sentence for step in pattern.steps) == whole_sentence:
            first, *others = pattern.needs
            groups.setdefault(first, []).append((order, tuple(others), pattern))
    return tuple(Group(need, tuple(ones)) for need, ones in groups.items())


def _bits_of(mask: int) -> Iterator[int]:
    while mask:
        bit = mask & -mask
        yield bit
        mask ^= bit


def _forms(word: str) -> Iterator[str]:
    yield word
    once = "".join(c for at, c in enumerate(word) if not at or c != word[at - 1])
    if once != word:
        yield once
    if word.endswith("in"):
        yield word + "g"
    if len(word) > _SHORTEST_JOINED and word[0] in _WRITTEN_ONTO:
        yield word[1:]


@lru_cache(maxsize=64)
def lexicon(*names: str) -> Lexicon:
    """Give the compiled lexicon of the languages named; classes of one name are shared between them."""
    modest = not {"en", "es", "emoji"}.issuperset(names)
    return Lexicon(tuple(vocabulary(name) for name in names), modest=modest)
