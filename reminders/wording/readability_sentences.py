"""Knows where the sentences and words of a message begin and end."""

from __future__ import annotations

import re

_ITEM = re.compile(r"^[ \t]*(?:[-*•·–]|\d{1,2}[.)])[ \t]+", re.MULTILINE)
"""The mark of a list item; its number is not read as text."""

_BLOCK_END = re.compile(r"\n\s*\n|\n(?=\0)|(?<=:)\n")
_STOP = re.compile(r"(?P<before>\S*?)(?P<mark>[.!?…]+)[\"'”’»)\]]*\s+(?=(?P<after>\S+))")
_HALF_OF_DAY = re.compile(r"\b([ap])\.\s?m\.")
"""Spanish writes "8:00 a. m." apart; it is one word."""
_OPENING = "\"'“‘«(¿¡["

_SHORTENED = frozenset(
    {"approx", "aprox", "dr", "dra", "e.g", "ej", "i.e", "mr", "mrs", "ms", "sr", "sra", "srta", "st", "vs"}
)
"""Always have something after them, so their point ends no sentence."""
_BEFORE_NUMBERS = frozenset({"ext", "no", "nos", "núm", "núms", "pág", "tel"})
"""Shortened words only before a figure; "Reply YES or NO." ends."""


def sentences(text: str) -> tuple[str, ...]:
    """Return the sentences of a plain text in order, without list marks; () when no word is in it.

    A list item, a paragraph, and a line that ends in a colon each end a sentence; another line end does not.
    A point ends one only when something that can begin a sentence follows, so a time (8:00 p.m.), a decimal,
    a telephone number, an address (www.example.org), an abbreviation and an initial stay whole.
    """
    marked = _ITEM.sub("\0", _HALF_OF_DAY.sub(r"\1.m.", text))
    found: list[str] = []
    for block in _BLOCK_END.split(marked):
        found.extend(_cut(" ".join(block.replace("\0", " ").split())))
    return tuple(sentence for sentence in found if words(sentence))


def words(sentence: str) -> tuple[str, ...]:
    """Return the words: what stands between spaces and has a letter or digit; a hyphen parts no word."""
    return tuple(word for word in sentence.split() if any(map(str.isalnum, word)))


def _cut(block: str) -> list[str]:
    found: list[str] = []
    start = 0
    for stop in _STOP.finditer(block):
        if _ends_sentence(stop["before"].lstrip(_OPENING), stop["mark"], stop["after"]):
            found.append(block[start : stop.end()].strip())
            start = stop.end()
    return [*found, block[start:]]


def _ends_sentence(before: str, mark: str, after: str) -> bool:
    if "!" in mark or "?" in mark:
        return True
    first = after[0]
    if not (first.isupper() or first.isdigit() or first in _OPENING):
        return False
    word = before.lower()
    is_initial = len(word) == 1 and word.isalpha()
    is_shortened = word in _SHORTENED or is_initial or (word in _BEFORE_NUMBERS and first.isdigit())
    return mark != "." or not is_shortened
