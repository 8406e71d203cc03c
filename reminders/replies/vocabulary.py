"""The words of one language's lexicon files: which are known, and which one a slip was meant for."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from reminders.replies.patterns import literals
from reminders.replies.spelling import NearMisses, fold, spanish_sound

_FOLDER = Path(__file__).parent / "lexicons"
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
class Spelt:
    """One word of a file, or stem (`toenail*`), in the forms under which it is looked up."""

    stem: bool
    forms: tuple[str, ...]
    """The form of its spelling rule first."""
    targets: tuple[str, ...]
    """Words that a slip may have been meant for."""


@cache
def spelt(word: str, *, by_sound: bool) -> Spelt:
    """Give the forms of a word as a file has it; files repeat their words a lot."""
    stem = word.endswith("*")
    plain = fold(word.rstrip("*"))
    key = "?" if word == "[?]" else spell(plain, by_sound=by_sound)
    single = _single_letters(key)
    forms = [key]
    if stem:  # "hac*" must meet "hace", which sounds "ase"
        forms.append(plain)
    if not by_sound and len(single) >= 4:
        forms.append(single)
    endings = _ENDINGS[by_sound] if stem else ("",)
    return Spelt(stem, tuple(dict.fromkeys(forms)), tuple(plain + ending for ending in endings))


def spell(word: str, *, by_sound: bool) -> str:
    """Spell a folded word by the rule of a file: by its Spanish sound, or as it is."""
    return spanish_sound(word) if by_sound else word


@dataclass(frozen=True)
class Vocabulary:
    """Every word that the files of one language use, in classes and in patterns."""

    source: Source

    def knows(self, word: str) -> bool:
        """Whether the word is in a file just as it is written."""
        return spell(word, by_sound=self.source.by_sound) in self._words

    @cached_property
    def targets(self) -> frozenset[str]:
        """Words that a slip may have been meant for."""
        return frozenset(target for one in self._spelt for target in one.targets)

    @cached_property
    def misses(self) -> NearMisses:
        """Finds those words."""
        return NearMisses(self.targets)

    @cached_property
    def _words(self) -> frozenset[str]:
        return frozenset(form for one in self._spelt if not one.stem for form in one.forms)

    @property
    def _spelt(self) -> Iterator[Spelt]:
        words = {word for listed in self.source.classes.values() for word in listed.split()}
        words.update(word for lines in self.source.patterns.values() for line in lines for word in literals(line))
        return (spelt(word, by_sound=self.source.by_sound) for word in words)


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
    return "".join(c for at, c in enumerate(word) if not at or c != word[at - 1] or c in "aeiou")
