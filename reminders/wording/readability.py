"""Knows how hard an English or Spanish text is to read, and which sentences make it so.

A formula on one or two short sentences is unstable: score the texts of a whole plan together, warn rather
than refuse, and show the sentence. Never put a Spanish score on an English scale or the reverse.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from reminders.errors import InputError
from reminders.sentences import english
from reminders.wording.readability_sentences import sentences, words
from reminders.wording.readability_syllables import english_syllables, spanish_syllables

MOST_GRADE = 6.0
"""Flesch-Kincaid: sixth grade or below (American Medical Association Foundation, Health literacy: a manual for
clinicians, Weiss, 2nd ed. 2007)."""

LEAST_INFLESZ = 65.0
"""INFLESZ: 65 to 80 is fairly easy (Barrio-Cantalejo et al., An Sist Sanit Navar 2008;31(2):135-152)."""


class Formula(StrEnum):
    """Which scale a score stands on."""

    FLESCH_KINCAID = "flesch-kincaid"
    """English: years of school; less is easier."""
    INFLESZ = "inflesz"
    """Spanish: 0 to 100 and beyond; more is easier."""


@dataclass(frozen=True, kw_only=True)
class Counts:
    """What the formulas are computed from; at least one word and one sentence."""

    words: int
    sentences: int
    syllables: int

    def __post_init__(self) -> None:
        if self.words < 1 or self.sentences < 1:
            raise InputError(english("a text without words has no reading score"))


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How hard one text or sentence is."""

    text: str
    formula: Formula
    score: float
    counts: Counts

    @property
    def is_plain(self) -> bool:
        """Tell whether the score is within the limit for patients."""
        if self.formula is Formula.FLESCH_KINCAID:
            return self.score <= MOST_GRADE
        return self.score >= LEAST_INFLESZ


def reading(text: str, language: str) -> Reading | None:
    """Return the score of a plain text; None without words, or for a language without a formula here.

    `language` is a tag such as `en`, `es` or `es-MX`. A text written in Markdown goes through
    `email_body.plain_text` first.
    """
    return _reading(text, sentences(text), language)


def hardest_sentences(text: str, language: str, *, most: int = 3) -> tuple[Reading, ...]:
    """Return the sentences of a plain text, hardest first, at most `most`; () where `reading` gives None."""
    each = [_reading(sentence, (sentence,), language) for sentence in sentences(text)]
    found = [one for one in each if one is not None]
    return tuple(sorted(found, key=_difficulty, reverse=True)[:most])


def flesch_kincaid_grade(counts: Counts) -> float:
    """Return the school grade for English (Kincaid et al., Research Branch Report 8-75, US Navy, 1975)."""
    return 0.39 * counts.words / counts.sentences + 11.8 * counts.syllables / counts.words - 15.59


def szigriszt_pazos(counts: Counts) -> float:
    """Return ease for Spanish, the score of the INFLESZ bands (Szigriszt-Pazos, doctoral thesis, 1993)."""
    return 206.835 - 62.3 * counts.syllables / counts.words - counts.words / counts.sentences


def _reading(text: str, parts: tuple[str, ...], language: str) -> Reading | None:
    rules = _RULES.get(language.partition("-")[0].lower())
    if rules is None or not parts:
        return None
    formula, score, syllables = rules
    spoken = [word for part in parts for word in words(part)]
    counts = Counts(words=len(spoken), sentences=len(parts), syllables=sum(map(syllables, spoken)))
    return Reading(text=text, formula=formula, score=score(counts), counts=counts)


def _difficulty(one: Reading) -> float:
    return one.score if one.formula is Formula.FLESCH_KINCAID else -one.score


_RULES: Mapping[str, tuple[Formula, Callable[[Counts], float], Callable[[str], int]]] = MappingProxyType(
    {
        "en": (Formula.FLESCH_KINCAID, flesch_kincaid_grade, english_syllables),
        "es": (Formula.INFLESZ, szigriszt_pazos, spanish_syllables),
    }
)
