"""How much a reply reads like serious ones, or like any that a person must read: a second opinion beside the lexicons.

Each word, pair of neighbours and piece of a word carries a weight, learnt from the labelled sets of the tests by a
linear support vector machine (`tests/replies/learn.py`; R. Fan et al., "LIBLINEAR", JMLR 2008;9:1871). Their sum over
the root of the number of words says how much the reply reads like serious ones; above 0 it is more likely one than
not. It knows nothing of negation or time, and so never takes a sign away; `closing` asks it about chatter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache, partial
from pathlib import Path
from typing import NamedTuple

from reminders.replies.pain import HIGHEST_SCORE
from reminders.replies.reading import Reading, Token
from reminders.replies.remembering import Remembered

_WEIGHTS = Path(__file__).parent / "likeness.tsv"
SCALE = 1000
"""Weights are kept as whole thousandths."""
_CELSIUS, _FAHRENHEIT = (34, 43.5), (95, 111)
"""What a thermometer shows."""
_PIECES = (3, 4)
_APART = frozenset({"none", "warning_signs", "checkin_pain", "checkin_yesno", "visit"})
"""Messages that are told apart; all others are plain instructions."""
Weight = tuple[int, int, int]
"""Thousandths towards serious, towards emergency, and towards any reply that a person must read."""
_NOTHING: Weight = (0, 0, 0)
_NO_PAIRS: Mapping[str, Weight] = {}


class Likeness(NamedTuple):
    """How much a reply reads like serious replies, like emergencies, and like all that a person must read."""

    serious: float
    emergency: float
    person: float
    at: int
    """The word that says most for serious; -1 in a reply of no words."""
    calm: int
    """The word that says most against any need of a person; -1 in a reply of no words."""
    known: int
    """Words that carry a weight as they are, and not by their pieces only."""


def likeness(reading: Reading, after: str) -> Likeness:
    """Weigh the words of a reply to the message of that key."""
    answering = context(after)
    serious, emergency, person = _weights().get(answering, _NOTHING)
    most, at, least, calm, known = 0, -1, 0, -1, 0
    words = _words(answering)
    following: Mapping[str, Weight] = _pairs().get(EDGE, _NO_PAIRS)
    for here, token in enumerate(reading.tokens):
        word = stand_in(token) if token.kind == "num" else token.word
        pair = following.get(word)
        if pair is not None:
            serious += pair[0]
            emergency += pair[1]
            person += pair[2]
        own, is_known, following = words[word]
        known += is_known
        serious += own[0]
        emergency += own[1]
        person += own[2]
        if at < 0 or own[0] > most:
            most, at = own[0], here
        if calm < 0 or own[2] < least:
            least, calm = own[2], here
    last = following.get(EDGE, _NOTHING)
    size = SCALE * max(1, len(reading.tokens)) ** 0.5
    serious, emergency, person = serious + last[0], emergency + last[1], person + last[2]
    return Likeness(serious / size, emergency / size, person / size, at, calm, known)


EDGE = "^"
"""Stands for the beginning and the end of a reply."""


def stand_in(token: Token) -> str:
    """Give the word, or for a number what kind of number it is."""
    if token.kind != "num":
        return token.word
    value = float(token.word)
    if _CELSIUS[0] < value < _CELSIUS[1] or _FAHRENHEIT[0] < value < _FAHRENHEIT[1]:
        return "#temperature"
    if value <= HIGHEST_SCORE:
        return f"#{int(value)}"
    return "#large" if value > _FAHRENHEIT[1] else "#count"


def context(after: str) -> str:
    """Name the message answered as what is learnt from it."""
    return f"@{after if after in _APART else 'other'}"


def pieces(word: str) -> Iterator[str]:
    """Every run of three and of four letters, the ends of the word marked."""
    if word.startswith("#"):
        return
    marked = f"<{word}>"
    for size in _PIECES:
        for at in range(len(marked) - size + 1):
            yield f"~{marked[at : at + size]}"


def features(reading: Reading, after: str) -> Iterator[str]:
    """Everything about a reply that carries a weight; what is there twice counts twice."""
    words = [stand_in(token) for token in reading.tokens]
    answering = context(after)
    yield answering
    for word in words:
        yield from _alone(word, answering)
    for first, second in zip([EDGE, *words], [*words, EDGE], strict=True):
        yield f"{first} {second}"


def _alone(word: str, answering: str) -> Iterator[str]:
    """Everything that a word carries by itself: as it is, as an answer to the message, in pieces."""
    yield word
    yield f"{answering} {word}"
    yield from pieces(word)


def _of_word(answering: str, word: str) -> tuple[Weight, bool, Mapping[str, Weight]]:
    """Weigh a word of an answer and its pieces; whether it carries a weight as it is; what may follow it."""
    weights = _weights()
    parts = [weights.get(one, _NOTHING) for one in _alone(word, answering)]
    serious, emergency, person = (sum(side) for side in zip(*parts, strict=True))
    return (serious, emergency, person), word in weights, _pairs().get(word, _NO_PAIRS)


@cache
def _words(answering: str) -> Remembered[str, tuple[Weight, bool, Mapping[str, Weight]]]:
    """Give what each word carries in answers to a message, worked out at the first time."""
    return Remembered(partial(_of_word, answering))


@cache
def _weights() -> dict[str, Weight]:
    _, *lines = _WEIGHTS.read_text(encoding="utf-8").splitlines()
    rows = (line.split("\t") for line in lines)
    return {name: (int(serious), int(emergency), int(person)) for name, serious, emergency, person in rows}


@cache
def _pairs() -> dict[str, dict[str, Weight]]:
    """Give the weights of neighbours, by the first and the second."""
    pairs: dict[str, dict[str, Weight]] = {}
    for name, weight in _weights().items():
        first, blank, second = name.partition(" ")
        if blank:
            pairs.setdefault(first, {})[second] = weight
    return pairs
