"""Reads the numbers of a text, so that a translation can be held against its original and against the plan."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache

from reminders.sentences import english
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import ReviewWords, pattern_of

_FIGURE = re.compile(r"\d+(?:[.,]\d+)*")
_THOUSANDS = re.compile(r"\d{1,3}(?:[.,]\d{3})+")
MOMENT = "\N{WHITE SQUARE}"
"""Stands for a date or a time, which each language writes in its own way."""


def figures(text: str) -> Counter[str]:
    """Return how often each number stands in a text: `3,000` and `3.000` are 3000, `38,5` is 38.5."""
    plain = "".join(str(unicodedata.digit(char, char)) for char in text)
    return Counter(_plain(found) for found in _FIGURE.findall(plain))


def without_moments(text: str, moments: Iterable[str]) -> str:
    """Return the text with every date and time that the program wrote into it replaced by one sign."""
    for moment in sorted(set(moments), key=len, reverse=True):
        text = text.replace(moment, MOMENT)
    return text


def translation_flaws(
    text: str, original: str, *, moments: Sequence[str], original_moments: Sequence[str]
) -> list[Flaw]:
    """Return how the numbers, dates and times of a translation differ from the original's; [] when they agree."""
    here, there = without_moments(text, moments), without_moments(original, original_moments)
    found = _differences(figures(here), figures(there))
    if here.count(MOMENT) != there.count(MOMENT):
        message = english("names {here} dates or times, the original {there}").format(
            here=here.count(MOMENT), there=there.count(MOMENT)
        )
        found.append(Flaw(rule="translation_numbers", message=message))
    return found


def with_figures(text: str, numbers: Sequence[str]) -> str:
    """Return the text in lower case with number words as figures (`eight tablets`: `8 tablets`)."""
    values = {word: str(value) for value, word in enumerate(numbers)}
    return pattern_of(tuple(numbers)).sub(lambda found: values[found[0]], text.lower())


def days_told(text: str, words: ReviewWords) -> Iterator[tuple[str, int, str]]:
    """Yield what a text says about days: `until_day`, `for_days` or `on_day`, the number, and the words."""
    low = with_figures(text, words.numbers)
    for kind, pattern in _day_phrases(words):
        for found in pattern.finditer(low):
            yield kind, int(found[1]), found[0]
        low = pattern.sub(lambda found: " " * len(found[0]), low)


@lru_cache(maxsize=32)
def _day_phrases(words: ReviewWords) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Return what finds each phrase, the most telling kind first, as `until day 5` holds `day 5` too."""
    kinds = {"until_day": words.until_day, "for_days": words.for_days, "on_day": words.on_day}
    return tuple(
        (kind, re.compile(rf"(?<!\w){_with_number(phrase)}(?!\w)"))
        for kind, phrases in kinds.items()
        for phrase in phrases
    )


def _with_number(phrase: str) -> str:
    return re.escape(phrase.lower()).replace(r"\{n\}", r"(\d{1,3})").replace(r"\ ", r"\s+")


def _plain(number: str) -> str:
    if _THOUSANDS.fullmatch(number):
        return re.sub(r"[.,]", "", number)
    return number.replace(",", ".")


def _differences(here: Counter[str], there: Counter[str]) -> list[Flaw]:
    missing, added = sorted((there - here).elements()), sorted((here - there).elements())
    if not missing and not added:
        return []
    parts = [english("{figures} is not in the original").format(figures=", ".join(added))] if added else []
    parts += [english("{figures} of the original is missing").format(figures=", ".join(missing))] if missing else []
    snippet = added[0] if added else ""
    return [Flaw(rule="translation_numbers", message="; ".join(parts), snippet=snippet)]
