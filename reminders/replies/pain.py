"""Which pain score a reply gives: the current one, the highest when several are current."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reminders.replies.amounts import Amount, Measure
from reminders.replies.finding import Findings

SEVERE_PAIN = 7
"""Palos et al., J Pain 2006;7(1):49: 7 to 10 is severe."""
HIGHEST_SCORE = 10
MODERATE_PAIN = 4
"""Canadian Physiotherapy Association, "Numeric Rating Scale (NRS-11)": 4 to 6 is moderate."""


@dataclass(frozen=True, slots=True)
class PainScore:
    """A score of 0 to 10 as said now, or the reason why the number given is none."""

    value: int | None
    """None when a number was given that is no score (55)."""
    rising: bool
    """Higher than a score the reply gives for an earlier time."""
    first: int
    last: int


def pain_score(findings: Findings, numbers: tuple[Amount, ...], *, asked: bool) -> PainScore | None:
    """Give the current score; None when none is given.

    When pain was asked for, any bare number is taken for a score; otherwise only "n/10", a number beside a pain
    word, or one that something is "sitting at". Decimals are rounded up. Of a range the upper end, of two current ones
    the higher counts; past ones only when no other is given.
    """
    if not numbers:
        return None
    candidates = [n for n in numbers if _may_be_score(findings, n, asked=asked)]
    pains = [n for n in candidates if not _given_to_staff(findings, n)]
    candidates = pains if pains or not asked else candidates
    if not candidates:
        return None
    past = _past(findings, candidates)
    current = [n for n, is_past in zip(candidates, past, strict=True) if not is_past] or candidates
    scores = [n for n in current if n.value <= 10]
    if not scores:
        worst = current[0]
        over = worst.measure is Measure.OF_TEN or (_beside_pain(findings, worst) and worst.value <= 100)
        return PainScore(10 if over else None, rising=False, first=worst.first, last=worst.last)
    top = max(scores, key=lambda n: _bounded(findings, n))
    before = [n.value for n, is_past in zip(candidates, past, strict=True) if is_past and n not in current]
    value = min(10, math.ceil(_bounded(findings, top)))
    return PainScore(value, rising=bool(before) and value > max(before), first=top.first, last=top.last)


def _may_be_score(findings: Findings, number: Amount, *, asked: bool) -> bool:
    if number.measure not in (Measure.BARE, Measure.OF_TEN) or _praise(findings, number) or _counts(findings, number):
        return False
    if number.measure is Measure.OF_TEN:
        return True
    if number.written_out and number.value == 1 and not _alone(findings, number) and not _at_most(findings, number):
        return False
    return asked or _beside_pain(findings, number) or number.first in findings.covered("score.said")


def _counts(findings: Findings, number: Amount) -> bool:
    """Whether more than any score counts what stands after it: "graded forty midterms"."""
    after = number.last + 1
    if number.value <= HIGHEST_SCORE or number.measure is not Measure.BARE or after >= len(findings.masks):
        return False
    beside = findings.reading.clause[after] == findings.reading.clause[number.last]
    told = findings.has(after, "degree", "present", "past", "pain", "common", "score_lead", "concern", "harm")
    return beside and findings.reading.tokens[after].kind == "word" and not told


def _clause(findings: Findings, number: Amount) -> range:
    """Give the tokens of the number's clause, at most eight to each side."""
    parts = findings.reading.clause
    first = last = number.first
    while first > 0 and parts[first - 1] == parts[number.first] and number.first - first < 8:
        first -= 1
    while last + 1 < len(parts) and parts[last + 1] == parts[number.first] and last - number.first < 8:
        last += 1
    return range(first, last + 1)


def _alone(findings: Findings, number: Amount) -> bool:
    clause = _clause(findings, number)
    if number.last + 1 < clause.stop and (
        findings.has(number.first, "score_lead") or not findings.masks[number.last + 1]
    ):
        return False  # an article, or one of what is not known: "un nceve" is a slip for nine
    return len(clause) <= 2 or (number.first > 0 and findings.has(number.first - 1, "score_lead"))


def _at_most(findings: Findings, number: Amount) -> bool:
    """Whether the reply opens with it and calls it the most: "uno cuando mucho", "one tops"."""
    after = number.last + 1
    return number.first == 0 and after < len(findings.masks) and findings.has(after, "score_end")


def _praise(findings: Findings, number: Amount) -> bool:
    said = _clause(findings, number)
    if any(findings.has(at, "praise") for at in range(number.last + 1, min(number.last + 3, said.stop))):
        return True
    if any(findings.has(at, "pain") for at in said):
        return False
    if any(findings.has(at, "praise") for at in said):
        return True
    # "love how fast you were, 10/10": praise that the clause before began
    sentence = findings.reading.sentence
    about = [at for at, part in enumerate(sentence) if part == sentence[number.first]]
    return (
        number.value == 10 and bool(findings.of("close.praise")) and not any(findings.has(at, "pain") for at in about)
    )


def _given_to_staff(findings: Findings, number: Amount) -> bool:
    """Whether it is a mark for those who treated: "0 ... I'd give the doctor a 10"."""
    if number.value != HIGHEST_SCORE or not findings.of("marks") or _beside_pain(findings, number):
        return False
    said = _clause(findings, number)
    return any(found.first in said for found in findings.of("marks"))


def _beside_pain(findings: Findings, number: Amount) -> bool:
    return any(
        findings.has(at, "pain")
        and (abs(at - number.first) <= 3 or abs(at - number.last) <= 2 or _leads(findings, at, number.first))
        for at in _clause(findings, number)
    )


def _leads(findings: Findings, at: int, number: int) -> bool:
    """Whether only words that lead to a score stand between: "pain is like a 5"."""
    return at < number and all(findings.has(one, "score_lead", "degree") for one in range(at + 1, number))


def _bounded(findings: Findings, number: Amount) -> float:
    """Read "under 3" as at most 3 and "over 6" as at least 7."""
    before = number.first - 1
    if before >= 1 and findings.reading.tokens[before].word in {"than", "de", "que"}:
        before -= 1
        more = findings.has(before, "more_than")
    else:
        more = before >= 0 and findings.has(before, "above")
    if more and number.value < 10:
        return math.floor(number.value) + 1
    return number.value


def _past(findings: Findings, numbers: list[Amount]) -> list[bool]:
    """For each number whether the words about it put it in the past.

    A word of time belongs to the number of its clause that follows, when such a word opens the clause ("was 8 last
    night, now 5"), else to the one before ("8 yesterday"). A number with a word of the present is never past.
    """
    past = [False] * len(numbers)
    now = [False] * len(numbers)
    firsts = [n.first for n in numbers]
    for index, number in enumerate(numbers):
        clause = _clause(findings, number)
        same = [i for i, first in enumerate(firsts) if first in clause]
        opens = _opens(findings, clause.start, numbers[same[0]].first)
        for at in clause:
            mark_past, mark_now = _was(findings, at), _is_now(findings, at, clause)
            if not (mark_past or mark_now):
                continue
            owner = _owner(at, same, numbers, opens=opens)
            if owner == index:
                past[index] |= mark_past
                now[index] |= mark_now
    return [
        (was and not is_now) or _fallen_from(findings, number)
        for was, is_now, number in zip(past, now, numbers, strict=True)
    ]


def _fallen_from(findings: Findings, number: Amount) -> bool:
    """Whether it is where the pain was before: "down from 6", "went from a 7 to a 2", "used to be 6"."""
    before = number.first - 1
    if any(found.last == before for found in findings.of("once_was")):
        return True
    if before > 0 and findings.has(before, "of") and findings.has(before - 1, "fell"):
        return True
    if before > 0 and findings.has(before, "score_lead") and not findings.has(before, "down_from"):
        before -= 1
    return before >= 0 and findings.has(before, "down_from")


def _is_now(findings: Findings, at: int, clause: range) -> bool:
    """Whether a word is of the present; in "was an 8 right after" the 8 is not."""
    if findings.reading.tokens[at].word == "after" and any(findings.has(one, "was") for one in clause):
        return False
    return findings.has(at, "present")


def _was(findings: Findings, at: int) -> bool:
    """Whether a word is of the past; "first" only before a day or night ("the first night")."""
    if findings.reading.tokens[at].word != "first":
        return findings.has(at, "past")
    return at + 1 < len(findings.masks) and findings.has(at + 1, "unit")


def _opens(findings: Findings, start: int, first: int) -> bool:
    return any(_was(findings, at) or findings.has(at, "present") for at in range(start, first))


def _owner(at: int, same: list[int], numbers: list[Amount], *, opens: bool) -> int:
    after = [i for i in same if numbers[i].first > at]
    before = [i for i in same if numbers[i].first < at]
    if after and (opens or not before):
        return after[0]
    return before[-1] if before else same[0]
