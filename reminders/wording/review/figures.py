"""Reads the numbers of a text, so that a translation can be held against its original and against the plan."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import ReviewWords

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
        message = f"names {here.count(MOMENT)} dates or times, the original {there.count(MOMENT)}"
        found.append(Flaw(rule="translation_numbers", message=message))
    return found


def with_figures(text: str, numbers: Sequence[str]) -> str:
    """Return the text in lower case with number words as figures (`eight tablets`: `8 tablets`)."""
    low = text.lower()
    for value, word in reversed(list(enumerate(numbers))):
        low = re.sub(rf"(?<!\w){re.escape(word)}(?!\w)", str(value), low)
    return low


def days_told(text: str, words: ReviewWords) -> Iterator[tuple[str, int, str]]:
    """Yield what a text says about days: `until_day`, `for_days` or `on_day`, the number, and the words."""
    low = with_figures(text, words.numbers)
    for kind in ("until_day", "for_days", "on_day"):
        for phrase in getattr(words, kind):
            pattern = re.escape(phrase.lower()).replace(r"\{n\}", r"(\d{1,3})").replace(r"\ ", r"\s+")
            for found in re.finditer(rf"(?<!\w){pattern}(?!\w)", low):
                yield kind, int(found[1]), found[0]
                low = low[: found.start()] + " " * len(found[0]) + low[found.end() :]


def _plain(number: str) -> str:
    if _THOUSANDS.fullmatch(number):
        return re.sub(r"[.,]", "", number)
    return number.replace(",", ".")


def _differences(here: Counter[str], there: Counter[str]) -> list[Flaw]:
    missing, added = sorted((there - here).elements()), sorted((here - there).elements())
    if not missing and not added:
        return []
    parts = [f"{', '.join(added)} is not in the original"] if added else []
    parts += [f"{', '.join(missing)} of the original is missing"] if missing else []
    snippet = added[0] if added else ""
    return [Flaw(rule="translation_numbers", message="; ".join(parts), snippet=snippet)]
