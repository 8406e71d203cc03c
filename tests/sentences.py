"""The sentences that the program says in English, and what a text is that one of them made."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from string import Formatter

from reminders.sentences import Sentences, filled
from reminders.words import SAID
from tests import catalogs


@cache
def sentences() -> tuple[str, ...]:
    """Every sentence that the program marks as said in English, today."""
    found = catalogs.messages_of(catalogs.extracted())
    return tuple(key[0] for key, each in found.items() if SAID in each.auto_comments)


@cache
def _known() -> Sentences:
    return Sentences(sentences())


def makers(text: str) -> list[tuple[str, Mapping[str, str]]]:
    """Every sentence that makes a text, with what it puts into its places."""
    return _known().found_in(text)


def unknown_parts(text: str) -> Iterator[str]:
    """Yield what of a text no sentence makes, or more than one: line by line, and what is about a key behind it."""
    found = makers(text)
    if len(found) == 1:
        sentence, values = found[0]
        if filled(sentence, values) != text:
            yield f"{sentence} does not give {text} again"
    elif found:
        yield f"{text} has {len(found)} makers: {[each for each, _ in found]}"
    elif "\n" in text:
        for line in text.split("\n"):
            yield from unknown_parts(line)
    else:
        head, colon, rest = text.partition(": ")
        if colon and " " not in head:
            yield from unknown_parts(rest)
        else:
            yield text


def places(sentence: str) -> list[tuple[str, str | None]]:
    """The places of a sentence, each with its conversion."""
    return [(place, conversion) for _, place, _, conversion in Formatter().parse(sentence) if place is not None]


@cache
def _pieces() -> frozenset[str]:
    """What stands between the places of every string of the program, where it is three words or more."""
    strings = catalogs.messages_of(catalogs.extracted())
    texts = (re.sub(r"%\(\w+\)s", "{}", form) for forms in strings for form in forms)
    literals = (" ".join(literal.split()) for text in texts for literal, *_ in Formatter().parse(text))
    return frozenset(each for each in literals if len(re.findall(r"[a-z]{2,}", each)) >= 3)


def english_left_in(text: str) -> list[str]:
    """What of the program's own strings a text still says in English, however its lines are broken."""
    shown = " ".join(text.split())
    return sorted(each for each in _pieces() if each in shown)
