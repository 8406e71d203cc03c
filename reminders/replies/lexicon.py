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

import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from reminders.replies.patterns import Pattern, parse
from reminders.replies.spelling import NearMisses, fold, spanish_sound, unchanged

_FOLDER = Path(__file__).parent / "lexicons"
_MOST_REMEMBERED = 100_000  # words; beyond it a word is looked up anew
_ENDINGS = {
    False: ("", "s", "ed", "ing"),
    True: (
        "",
        "o",
        "a",
        "os",
        "as",
        "an",
        "on",
        "ado",
        "ada",
        "ando",
        "iendo",
        "aron",
        "e",
        "io",
        "ia",
        "ar",
        "er",
        "ir",
    ),
}


@dataclass(frozen=True, slots=True)
class Source:
    """One lexicon file as read."""

    classes: Mapping[str, str]
    patterns: Mapping[str, tuple[str, ...]]
    numbers: Mapping[str, float]
    by_sound: bool


@dataclass(frozen=True, slots=True)
class Entry:
    """What is known of one word: its classes as bits (0 when unknown), and the patterns it may anchor."""

    mask: int
    alone: tuple[str, ...]
    """The kinds of finding that the word is by itself."""
    patterns: tuple[tuple[tuple[int, ...], Pattern], ...]
    """Each with the classes it needs elsewhere in the text."""
    guessed: bool
    """Nothing but a slip away from what it is taken for."""


@dataclass(slots=True)
class _Table:
    """The words of the files that share one spelling rule."""

    spell: Callable[[str], str]
    words: dict[str, int] = field(default_factory=dict)
    stems: dict[str, int] = field(default_factory=dict)
    targets: set[str] = field(default_factory=set)
    misses: NearMisses = field(default_factory=lambda: NearMisses(()))

    def exact(self, word: str) -> int:
        """Give the classes of a folded word by its spelling rule, or of the stems it begins with, spelt or sounded."""
        key = self.spell(word)
        mask = self.words.get(key, 0) | self._stemmed(key)
        return mask if key == word else mask | self._stemmed(word)

    def _stemmed(self, word: str) -> int:
        mask = 0
        for end in range(2, len(word) + 1):
            mask |= self.stems.get(word[:end], 0)
        return mask

    def close(self, word: str) -> int:
        return self._all(self.misses.meant(word))

    def resembles(self, word: str) -> int:
        return self._all(self.misses.near(word))

    def _all(self, words: Iterable[str]) -> int:
        mask = 0
        for word in words:
            mask |= self.exact(word)
        return mask


class Lexicon:
    """Compiled words and patterns of one or two languages; look-ups are remembered."""

    def __init__(self, sources: tuple[Source, ...], *, modest: bool) -> None:
        self.modest = modest
        """Some of its languages have a short list only."""
        self._bits: dict[str, int] = {}
        self._sizes: dict[int, int] = {}
        self._anchored: dict[int, list[Pattern]] = {}
        self._remembered: dict[str, Entry] = {}
        self._known: dict[str, bool] = {}
        self._tables: dict[bool, _Table] = {}
        self._classes: dict[str, int] = {}
        self.unions: dict[tuple[str, ...], int] = {}
        """Masks of classes together, as asked for before; `mask` fills it."""
        self.numbers: dict[str, float] = {}
        """Number words and their values."""
        for source in sources:
            spell = spanish_sound if source.by_sound else unchanged
            self._tables.setdefault(source.by_sound, _Table(spell))
            self.numbers.update(source.numbers)
            for name, words in source.classes.items():
                for word in words.split():
                    self._add(word, "@" + name, by_sound=source.by_sound)
        for source in sources:
            self._add_patterns(source)
        self._rank = {bit: rank for rank, bit in enumerate(self._anchored)}
        for table in self._tables.values():
            table.misses = NearMisses(table.targets)

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
            known = any(table.spell(word) in table.words for table in self._tables.values())
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
        known = self._remembered.get(word)
        if known is None:
            mask = self._look_up(word)
            guessed = mask == 0
            if word.isalpha() and not self.knows(word) and not any(word in t.targets for t in self._tables.values()):
                # a stem may swallow a slip: "pressuure" begins like "pressed"
                for table in self._tables.values():
                    mask |= table.close(word)
            # In the order of the files, which decides between patterns that say the same.
            bits = sorted((bit for bit in _bits_of(mask) if bit in self._rank), key=self._rank.__getitem__)
            found = [pattern for bit in bits for pattern in self._anchored[bit]]
            alone = tuple(dict.fromkeys(pattern.kind for pattern in found if not pattern.needs))
            known = Entry(mask, alone, tuple((one.needs, one) for one in found if one.needs), guessed)
            if len(self._remembered) < _MOST_REMEMBERED:
                self._remembered[word] = known
        return known

    def _look_up(self, word: str) -> int:
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
        stem = word.endswith("*")
        key = "?" if word == "[?]" else table.spell(fold(word.rstrip("*")))
        target = table.stems if stem else table.words
        target[key] = target.get(key, 0) | bit
        if stem:  # "hac*" must meet "hace", which sounds "ase"
            plain = fold(word.rstrip("*"))
            target[plain] = target.get(plain, 0) | bit
        single = _single_letters(key)
        if single != key and len(single) >= 4 and not by_sound:
            target.setdefault(single, 0)
            target[single] |= bit
        often = 100 if target[key] & self._classes.get("common", 0) else 1
        self._sizes[bit] = self._sizes.get(bit, 0) + often
        endings = _ENDINGS[by_sound] if stem else ("",)
        table.targets.update(fold(word.rstrip("*")) + ending for ending in endings)
        return bit

    def _add_patterns(self, source: Source) -> None:
        def bits(name: str) -> int:
            if name.startswith("@"):
                if name not in self._bits:
                    raise KeyError(f"a pattern uses {name}, which is no class")
                return self._bits[name]
            return self._add(name, f"{name}:{source.by_sound}", by_sound=source.by_sound)

        for kind, lines in source.patterns.items():
            for line in lines:
                for pattern in parse(kind, line, bits=bits, weigh=self._weight):
                    held = pattern.items[pattern.anchor].mask
                    for bit in _bits_of(held):
                        self._anchored.setdefault(bit, []).append(pattern)

    def _weight(self, mask: int) -> int:
        """How often a word of this mask is met in a text; the anchor is the place met least."""
        return sum(self._sizes[bit] for bit in _bits_of(mask))


def _bits_of(mask: int) -> Iterator[int]:
    while mask:
        bit = mask & -mask
        yield bit
        mask ^= bit


def _single_letters(word: str) -> str:
    """Doubled consonants written once; doubled vowels tell words apart ("droop", "drop")."""
    return "".join(c for at, c in enumerate(word) if not at or c != word[at - 1] or c in "aeiou")


def _forms(word: str) -> Iterator[str]:
    yield word
    once = "".join(c for at, c in enumerate(word) if not at or c != word[at - 1])
    if once != word:
        yield once
    if word.endswith("in"):
        yield word + "g"


def load_source(name: str) -> Source:
    """Read the lexicon of one language: the files of its folder together, or its one file."""
    folder = _FOLDER / name
    classes: dict[str, str] = {}
    patterns: dict[str, tuple[str, ...]] = {}
    numbers: dict[str, float] = {}
    by_sound = False
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else [_FOLDER / f"{name}.toml"]:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        for kind, words in data.get("classes", {}).items():
            classes[kind] = f"{classes.get(kind, '')} {words}"
        for kind, lines in data.get("patterns", {}).items():
            patterns[kind] = (*patterns.get(kind, ()), *lines)
        numbers |= {word: float(value) for word, value in data.get("numbers", {}).items()}
        by_sound = by_sound or bool(data.get("by_sound", False))
    return Source(classes, patterns, numbers, by_sound)


@lru_cache(maxsize=64)
def lexicon(*names: str) -> Lexicon:
    """Give the compiled lexicon of the languages named; classes of one name are shared between them."""
    modest = not {"en", "es", "emoji"}.issuperset(names)
    return Lexicon(tuple(load_source(name) for name in names), modest=modest)
