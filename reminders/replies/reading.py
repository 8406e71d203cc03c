"""How a reply is cut into words, clauses and sentences, with each word's place in the text kept."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from reminders.replies.remembering import Remembered
from reminders.replies.spelling import fold

_HIDDEN = "\u00ad\u200b-\u200d\u2060\ufe0e\ufe0f"
_IDEOGRAPH = "\u3400-\u9fff\uf900-\ufaff"
_KANA = "\u3040-\u30ff"
"""Written without blanks, but no number is part of such words."""
_NUMBER = r"\d+(?:[.,]\d+)?"
_LETTERS = r"\w\u0300-\u036f"
_WORD = rf"[^\W\d_][{_LETTERS}]*(?:['’`´{_HIDDEN}]+[{_LETTERS}]+)*"
_STOP = r"[.!?;:,\n\r…。！？；，、،؟¿¡]+"
_PIECE = re.compile(rf"[{_IDEOGRAPH}]+|[{_KANA}]+|{_WORD}|{_STOP}|{_NUMBER}|[^\s\w]")
_ASCII_PIECE = re.compile(rf"[a-zA-Z]\w*(?:['`]+\w+)*|[.!?;:,\n\r]+|{_NUMBER}|[^\s\w\x1c-\x1f]", re.ASCII)
"""The same for texts in ASCII, most of them; it takes half the time."""
_KINDS = tuple((kind, re.compile(pattern)) for kind, pattern in (("word", _WORD), ("stop", _STOP), ("num", _NUMBER)))
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


class Reading(NamedTuple):
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
        "comma",
        "period",
    ]
)
"""Words that open a new clause; two are signs written out by who dictates."""


_JOINED = {
    "apart": frozenset(
        (
            *("come", "comes", "came", "coming", "fall", "falls", "fell", "fallen", "falling"),
            *("pull", "pulled", "pulling", "tear", "torn", "tore", "split", "rip", "ripped"),
        )
    ),
    "period": frozenset(
        (
            *("a", "the", "my", "her", "this", "that", "same", "last", "first", "next", "any", "whole"),
            *("long", "short", "brief", "time", "waiting", "healing", "recovery", "menstrual", "missed", "heavy"),
        )
    ),
}
"""Words that open no clause after these."""


class _Known(NamedTuple):
    """What is known of a piece of text wherever it stands."""

    kind: str
    words: tuple[tuple[str, int], ...]
    """Folded, each with its length as written; several when ideographs stand in a row."""
    asks: bool
    ends: bool
    """Ends a sentence."""
    contrasts: bool
    """Opens a new clause."""


_NEW = tuple.__new__
"""Makes a token in half the time, for it calls nothing of Python's."""


def read(text: str) -> Reading:
    """Cut the text.

    Punctuation is not kept as tokens except `?`; it only divides. Never raises; an empty text gives no tokens.
    """
    tokens: list[Token] = []
    clauses: list[int] = []
    sentences: list[int] = []
    clause = sentence = 0
    end, last_end = 0, -1
    written = _unsigned(text)
    for piece in (_ASCII_PIECE if written.isascii() else _PIECE).findall(written):
        start = text.index(piece, end)  # what stands between begins no piece
        end = start + len(piece)
        kind, words, asks, ends, contrasts = _PIECES[piece]
        if kind == "stop":
            if asks:
                tokens.append(Token("?", start, end, kind, attached=True))
                clauses.append(clause)
                sentences.append(sentence)
            clause += 1
            sentence += ends
            continue
        if (contrasts and not _parting(tokens, words[0][0])) or (
            kind == "mark" and piece in _DASHES and _apart(text, start, end)
        ):
            clause += 1
        for word, length in words:
            tokens.append(_NEW(Token, (word, start, start + length, kind, start == last_end)))
            clauses.append(clause)
            sentences.append(sentence)
            start = last_end = start + length
        if len(tokens) >= MOST_WORDS:
            break
    return Reading(text, tuple(tokens[:MOST_WORDS]), tuple(clauses[:MOST_WORDS]), tuple(sentences[:MOST_WORDS]))


def _known(piece: str) -> _Known:
    kind = next((kind for kind, pattern in _KINDS if pattern.match(piece)), "mark")
    if kind == "stop":
        return _Known(kind, (), not _ASKS.isdisjoint(piece), not _SENTENCE_ENDS.isdisjoint(piece), contrasts=False)
    if kind == "num":
        words = [(piece.replace(",", "."), len(piece))]
    elif kind == "word" and not piece.isascii():
        words = [(fold(part), len(part)) for part in _IDEOGRAPHS.split(piece) if part]
    else:
        words = [(fold(piece), len(piece))]
    contrasts = kind == "word" and piece.isascii() and words[0][0] in _CONTRASTS
    return _Known(kind, tuple(words), asks=False, ends=False, contrasts=contrasts)


_PIECES = Remembered(_known)


def _unsigned(text: str) -> str:
    """Give the text without the line that a telephone puts under it."""
    lower = text.casefold()
    if "sent from" not in lower and "env" not in lower:
        return text
    signed = _SIGNATURE.search(text)
    return text[: signed.start()] if signed else text


def _parting(tokens: list[Token], word: str) -> bool:
    """Whether the word goes on with what stands before it: "the stitches have come apart", "for a period of"."""
    return word in _JOINED and bool(tokens) and tokens[-1].word in _JOINED[word]


def _apart(text: str, start: int, end: int) -> bool:
    """Whether a blank stands on both sides."""
    return text[start - 1 : start].isspace() and text[end : end + 1].isspace()


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
