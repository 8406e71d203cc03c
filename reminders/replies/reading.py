"""How a reply is cut into words, clauses and sentences, with each word's place in the text kept."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from reminders.replies.spelling import fold

_HIDDEN = "\u00ad\u200b-\u200d\u2060\ufe0e\ufe0f"
_IDEOGRAPH = "\u3400-\u9fff\uf900-\ufaff"
_TOKEN = re.compile(
    rf"""(?P<num>\d+(?:[.,]\d+)?)
    |(?P<word>[^\W\d_](?:[\w\u0300-\u036f'’`´{_HIDDEN}]*[\w\u0300-\u036f])?)
    |(?P<stop>[.!?;:,\n\r…。！？；，、،؟¿¡]+)
    |(?P<mark>[^\s\w])""",
    re.VERBOSE,
)
_IDEOGRAPHS = re.compile(f"([{_IDEOGRAPH}])")
_SIGNATURE = re.compile(r"\b(?:sent from my|enviado desde mi|envoyé de mon) \w+\W*\Z", re.IGNORECASE)
_SENTENCE_ENDS = frozenset(".!?;\n\r。！？；؟")
_ASKS = frozenset("?؟？")
_DASHES = frozenset("-–—/|*•~")
MOST_WORDS = 20_000
"""Words read of one reply; more than any person writes, so that noise without end has an end."""
AT_ONCE = 300
"""Words that are looked at together; a longer reply is read in parts, so that its cost grows with its length only."""
_SHARED = 40
"""Words that two neighbouring parts share, so that nothing is cut in two."""


class Token(NamedTuple):
    """One word, number or sign of the text; a tuple, because so many are made."""

    word: str
    """Folded form; for numbers the digits, with a decimal point."""
    start: int
    end: int
    kind: str
    """`word`, `num`, `stop` or `mark`."""
    attached: bool
    """No blank before it."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A text cut into tokens; `clause` and `sentence` number the part each token belongs to."""

    text: str
    tokens: tuple[Token, ...]
    clause: tuple[int, ...]
    sentence: tuple[int, ...]


_CONTRASTS = frozenset(
    [
        "but",
        "however",
        "except",
        "although",
        "though",
        "yet",
        "tho",
        "altho",
        "besides",
        "otherwise",
        "apart",
        "aside",
        "pero",
        "aunque",
        "sino",
        "excepto",
        "bc",
        "cuz",
        "because",
        "porque",
        "aparte",
    ]
)
"""Words that open a new clause."""


def read(text: str) -> Reading:
    """Cut the text.

    Punctuation is not kept as tokens except `?`; it only divides. Never raises; an empty text gives no tokens.
    """
    tokens: list[Token] = []
    clauses: list[int] = []
    sentences: list[int] = []
    clause = sentence = 0
    last_end = -1
    signed = _SIGNATURE.search(text)
    for kind, piece, start, end in _pieces(text[: signed.start()] if signed else text):
        if kind == "stop":
            if not _ASKS.isdisjoint(piece):
                tokens.append(Token("?", start, end, kind, attached=True))
                clauses.append(clause)
                sentences.append(sentence)
            clause += 1
            sentence += not _SENTENCE_ENDS.isdisjoint(piece)
            continue
        if kind == "mark" and piece in _DASHES:
            clause += text[start - 1 : start].isspace() and text[end : end + 1].isspace()
        word = piece.replace(",", ".") if kind == "num" else fold(piece)
        if kind == "word" and word in _CONTRASTS and piece.isascii():
            clause += 1
        tokens.append(Token(word, start, end, kind, start == last_end))
        clauses.append(clause)
        sentences.append(sentence)
        last_end = end
        if len(tokens) >= MOST_WORDS:
            break
    return Reading(text, tuple(tokens), tuple(clauses), tuple(sentences))


def parts(reading: Reading) -> Iterator[Reading]:
    """Yield the reading itself, or its parts in order when it is longer than what is looked at together."""
    if len(reading.tokens) <= AT_ONCE:
        yield reading
        return
    seen: set[tuple[str, ...]] = set()
    for first in range(0, len(reading.tokens) - _SHARED, AT_ONCE - _SHARED):
        here = slice(first, first + AT_ONCE)
        words = tuple(token.word for token in reading.tokens[here])
        if words not in seen:  # noise repeats itself and need not be read twice
            yield Reading(reading.text, reading.tokens[here], reading.clause[here], reading.sentence[here])
        seen.add(words)


def _pieces(text: str) -> Iterator[tuple[str, str, int, int]]:
    """Kind, text and place of each piece; every ideograph is a word of its own."""
    for found in _TOKEN.finditer(text):
        kind, piece, start = found.lastgroup or "mark", found.group(), found.start()
        if kind == "word" and not piece.isascii() and _IDEOGRAPHS.search(piece):
            for part in _IDEOGRAPHS.split(piece):
                if part:
                    yield "word", part, start, start + len(part)
                start += len(part)
        else:
            yield kind, piece, start, found.end()
