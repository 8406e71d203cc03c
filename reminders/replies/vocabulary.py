"""The words of one language's lexicon files: which are known, and which one a slip was meant for."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import NamedTuple

from reminders.replies.patterns import Line, Name, literals, named, parse
from reminders.replies.spelling import NearMisses, fold, spanish_sound

_FOLDER = Path(__file__).parent / "lexicons"
_DOUBLED = re.compile(r"([^aeiou])\1+")
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


class Spelt(NamedTuple):
    """One word of a file, or stem (`toenail*`), in the forms under which it is looked up."""

    stem: bool
    forms: tuple[str, ...]
    """The form of its spelling rule first."""


@cache
def spelt(word: str, *, by_sound: bool) -> Spelt:
    """Give the forms of a word as a file has it; files repeat their words a lot."""
    stem = word.endswith("*")
    plain = fold(word.rstrip("*"))
    key = "?" if word == "[?]" else spell(plain, by_sound=by_sound)
    forms = [key]
    if stem:  # "hac*" must meet "hace", which sounds "ase"
        forms.append(plain)
    if not by_sound and len(single := _single_letters(key)) >= 4:
        forms.append(single)
    return Spelt(stem, tuple(dict.fromkeys(forms)))


def spell(word: str, *, by_sound: bool) -> str:
    """Spell a folded word by the rule of a file: by its Spanish sound, or as it is."""
    return spanish_sound(word) if by_sound else word


@dataclass(frozen=True)
class Vocabulary:
    """Every word that the files of one language use, in classes and in patterns."""

    source: Source

    def knows(self, word: str) -> bool:
        """Whether the word is in a file just as it is written."""
        return spell(word, by_sound=self.source.by_sound) in self._by_form[0]

    def begins(self, word: str) -> bool:
        """Whether the word begins with a stem of the file."""
        stems = self._by_form[1]
        return any(word[:end] in stems for end in range(2, len(word) + 1))

    def names(self, word: str) -> Iterator[Name]:
        """Give what a folded word is known as: by its spelling rule, or by a stem it begins with, spelt or sounded."""
        key = spell(word, by_sound=self.source.by_sound)
        words, stems = self._by_form
        yield from words.get(key, ())
        for form in {key, word}:
            for end in range(2, len(form) + 1):
                yield from stems.get(form[:end], ())

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """The patterns."""
        by_sound = self.source.by_sound
        return tuple(parse(kind, one, by_sound=by_sound) for kind, ones in self.source.patterns.items() for one in ones)

    @cached_property
    def classes(self) -> Mapping[Name, tuple[Spelt, ...]]:
        """The words of each class."""
        by_sound = self.source.by_sound
        return {
            f"@{name}": tuple([spelt(word, by_sound=by_sound) for word in words.split()])
            for name, words in self.source.classes.items()
        }

    @cached_property
    def targets(self) -> frozenset[str]:
        """Words that a slip may have been meant for."""
        endings = _ENDINGS[self.source.by_sound]
        written = {word for words in self.source.classes.values() for word in words.split()} | self._literals
        plain = {fold(word) for word in written if word[-1] != "*"}
        stems = [fold(word.rstrip("*")) for word in written if word[-1] == "*"]
        return frozenset(plain.union([stem + ending for stem in stems for ending in endings]))

    @cached_property
    def misses(self) -> NearMisses:
        """Finds those words."""
        return NearMisses(self.targets)

    @cached_property
    def _literals(self) -> frozenset[str]:
        return frozenset(word for ones in self.source.patterns.values() for line in ones for word in literals(line))

    @cached_property
    def _by_form(self) -> tuple[Mapping[str, Sequence[Name]], Mapping[str, Sequence[Name]]]:
        """The names of all words, and of all stems, by the forms under which they are looked up."""
        by_sound = self.source.by_sound
        by_form: tuple[dict[str, list[Name]], dict[str, list[Name]]] = ({}, {})
        members = [(name, word) for name, words in self.classes.items() for word in words]
        members += [(named(word, by_sound=by_sound), spelt(word, by_sound=by_sound)) for word in self._literals]
        for name, (stem, forms) in members:
            names = by_form[stem]
            for form in forms:
                names.setdefault(form, []).append(name)
        return by_form


@cache
def vocabulary(name: str) -> Vocabulary:
    """Give the words of one language, or of the emoji."""
    return Vocabulary(load_source(name))


@cache
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


def _single_letters(word: str) -> str:
    """Doubled consonants written once; doubled vowels tell words apart ("droop", "drop")."""
    return _DOUBLED.sub(r"\1", word)
