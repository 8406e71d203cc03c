"""Sentences said in English where no language is known, stored or raised, and recognised where they are shown.

Pure code composes its reasons and errors from constant sentences with named places, each marked by `english`. The text
kept in English, once. Whoever shows it finds the sentence it was made from again, and says that in another language.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from string import Formatter

# Not by strftime: these words are part of a record and must not follow the host's locale.
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAY_NAME = "|".join(WEEKDAYS)
_MONTH_NAME = "|".join(MONTHS)
DATED = re.compile(rf"({_DAY_NAME})(?: (\d{{1,2}}) ({_MONTH_NAME}))? (\d\d:\d\d)")
"""A moment of another day: its weekday, perhaps its day of a month, and the wall clock."""

_CLOCK = rf"(?:(?:{_DAY_NAME}) (?:\d{{1,2}} (?:{_MONTH_NAME}) )?)?\d\d:\d\d"
_NUMBER = r"-?\d+(?:\.\d+)?"
_KINDS: Mapping[str, str] = {
    **dict.fromkeys(("clock", "other_clock", "start"), _CLOCK),
    **dict.fromkeys(("code", "count", "day", "days", "hours", "id", "limit", "minutes", "most", "number"), _NUMBER),
    "version": _NUMBER,
    **dict.fromkeys(("entry", "key", "option", "setting", "word"), r"[\w:-]+"),
    "database": r"[\w+]+:.+?",
    "medicine": r"[^:;]+",
    **dict.fromkeys(("digits", "highest", "lowest", "path", "value"), r"\S+"),
}
"""What stands in a place, by its name; anything at all in the others."""


def english(sentence: str) -> str:
    """Return the sentence as it is, and have the catalogs translate it; whoever shows what it became knows it again.

    `english("also says {keys}").format(keys=keys)`. It must be a literal.
    """
    return sentence


class Sentences:
    """All sentences that may be met, to find the one that a text was made from."""

    def __init__(self, sentences: Iterable[str]) -> None:
        self._whole: dict[str, str] = {}
        self._made: dict[str, re.Pattern[str]] = {}
        for sentence in sentences:
            pattern = _pattern(sentence)
            if pattern.groups:
                self._made[sentence] = pattern
            else:
                self._whole[sentence.format()] = sentence

    def found_in(self, text: str) -> list[tuple[str, Mapping[str, str]]]:
        """Return every sentence that a text can be made from, with what stands in its places as text."""
        whole: list[tuple[str, Mapping[str, str]]] = [(self._whole[text], {})] if text in self._whole else []
        return whole + [
            (sentence, match.groupdict())
            for sentence, pattern in self._made.items()
            if (match := pattern.fullmatch(text))
        ]


def filled(sentence: str, values: Mapping[str, str], put: Callable[[str, str], str] = lambda _, value: value) -> str:
    """Return a sentence with texts in its places, each as `put(place, text)` gives it."""
    return "".join(
        literal + (put(place, values[place]) if place is not None else "")
        for literal, place, _, _ in Formatter().parse(sentence)
    )


def _pattern(sentence: str) -> re.Pattern[str]:
    seen: set[str] = set()
    parts = []
    for literal, place, _, conversion in Formatter().parse(sentence):
        parts.append(re.escape(literal))
        if place is not None:
            kind = r"'.*?'|\".*?\"|[^\s'\"]+" if conversion == "r" else _KINDS.get(place, ".+?")
            parts.append(f"(?P={place})" if place in seen else f"(?P<{place}>{kind})")
            seen.add(place)
    return re.compile("".join(parts), re.DOTALL)
