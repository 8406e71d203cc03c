"""What a reply answers to the message before it: a score, yes or no, a confirmation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reminders.replies.amounts import Amount, Measure
from reminders.replies.finding import Findings


class Answer(StrEnum):
    """A bare or leading answer."""

    YES = "yes"
    NO = "no"
    NOTHING = "none"  #: "none of those", "nothing"
    CONFIRM = "confirm"
    ACK = "ack"  #: ok, done, got it
    LETTER = "letter"
    NUMBER = "number"
    THUMB_UP = "thumb_up"
    THUMB_DOWN = "thumb_down"


@dataclass(frozen=True, slots=True)
class Answered:
    """The answer a reply opens with; `bare` when it holds nothing else but courtesy."""

    answer: Answer
    at: int
    bare: bool


_BARE = ("courtesy", "thanks", "answer_yes", "answer_no", "answer_none", "answer_confirm", "ack", "degree")
_LEADING = tuple((name, f"answer_{name.value}") for name in (Answer.YES, Answer.NO, Answer.CONFIRM))
_UP = frozenset("👍👌✅☑✔🆗🙌👏💯")
_DOWN = frozenset("👎❌✖🚫")


def answer_in(findings: Findings, numbers: tuple[Amount, ...]) -> Answered | None:
    """Give the answer that opens the reply, or None when it opens with something else."""
    tokens = findings.reading.tokens
    solid = [at for at, token in enumerate(tokens) if token.kind != "mark" and token.word != "?"]
    if findings.mentions("answer_yes"):
        solid = [at for at in solid if not _joins_answers(findings, at)]
    if findings.are(solid, "courtesy", "thanks"):
        thumbs = _by_emoji(findings)
        if thumbs is not None or not solid:
            return thumbs
    if findings.words.modest and findings.mentions("thanks"):
        return None
    bare = findings.are(solid, *_BARE)
    if bare and _both_ways(findings, solid):
        return None
    for at in solid[:4]:
        for name, said in _LEADING:
            if findings.has(at, said):
                return Answered(name, at, bare)
        if not findings.has(at, "courtesy", "thanks", "degree", "ack"):
            break
    if len(solid) == 1 or findings.mentions("degree"):
        weighty = [at for at in solid if not findings.has(at, "degree")] or solid
        if len(weighty) == 1:
            return _single(findings, numbers, weighty[0])
    return _acknowledged(findings, solid[0]) if bare and any(findings.has(at, "ack") for at in solid) else None


def _joins_answers(findings: Findings, at: int) -> bool:
    """Whether it is the "n" of "yes n yes"."""
    if not 0 < at < len(findings.masks) - 1 or not findings.has(at, "joins"):
        return False
    return findings.has(at - 1, "answer_yes") and findings.has(at + 1, "answer_yes")


def _both_ways(findings: Findings, solid: list[int]) -> bool:
    """Whether a reply of nothing but answers says yes and no: of two things asked one may be so, and one not."""
    yes = any(findings.has(at, "answer_yes") for at in solid)
    return yes and any(findings.has(at, "answer_no") and not findings.has(at, "answer_yes") for at in solid)


def _acknowledged(findings: Findings, at: int) -> Answered | None:
    """Give an "ok", which closes; none for an "ok?", which asks."""
    asks = any(token.word == "?" for token in findings.reading.tokens)
    return None if asks else Answered(Answer.ACK, at, bare=True)


def _single(findings: Findings, numbers: tuple[Amount, ...], at: int) -> Answered | None:
    token = findings.reading.tokens[at]
    if findings.has(at, "answer_none"):
        return Answered(Answer.NOTHING, at, bare=True)
    if token.word == "k" or (findings.has(at, "ack") and len(token.word) > 1):
        return _acknowledged(findings, at)
    if numbers and numbers[0].measure is Measure.BARE:
        return Answered(Answer.NUMBER, at, bare=True)
    if token.kind == "word" and len(token.word) == 1 and token.word.isascii():
        return Answered(Answer.LETTER, at, bare=True)
    return None


def _by_emoji(findings: Findings) -> Answered | None:
    marks = [token.word for token in findings.reading.tokens]
    down = next((at for at, mark in enumerate(marks) if mark in _DOWN), None)
    if down is not None:
        return Answered(Answer.THUMB_DOWN, down, bare=True)
    up = next((at for at, mark in enumerate(marks) if mark in _UP), None)
    if up is not None and "?" not in marks:
        return Answered(Answer.THUMB_UP, up, bare=True)
    return None
