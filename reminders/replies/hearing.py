"""Everything one reply says, gathered before anything is decided."""

from __future__ import annotations

from dataclasses import dataclass

from reminders.replies.amounts import Amount, amounts
from reminders.replies.answers import Answer, Answered, answer_in
from reminders.replies.closing import Closing, closing
from reminders.replies.control import Control, control_in
from reminders.replies.finding import Findings, find
from reminders.replies.judging import Sign, signs_in
from reminders.replies.lexicon import Lexicon
from reminders.replies.pain import SEVERE_PAIN, PainScore, pain_score
from reminders.replies.patterns import Finding
from reminders.replies.reading import Reading
from reminders.replies.scope import Scope, Standing
from reminders.replies.urgency import Patient, Ranked, rank


@dataclass(frozen=True, kw_only=True)
class Heard:
    """One reply: what is found in it, how its signs rank, and whether it could be closed."""

    findings: Findings
    numbers: tuple[Amount, ...]
    score: PainScore | None
    signs: tuple[Sign, ...]
    ranked: Ranked
    control: Control
    answer: Answered | None
    closing: Closing | None
    alarming: int | None
    """A token that names something serious and belongs to nothing that was understood."""

    @property
    def pain(self) -> int | None:
        """The current pain score, None when none is given."""
        return self.score.value if self.score else None


def hear(reading: Reading, after: str, words: Lexicon, patient: Patient) -> Heard:
    """Gather what a reply says; `after` is the key of the message it answers."""
    findings = find(reading, words)
    numbers = amounts(findings)
    score = pain_score(findings, numbers, asked=after == "checkin_pain")
    scope = Scope(findings, leading_no=after == "checkin_yesno")
    signs = signs_in(findings, scope, numbers)
    answer = answer_in(findings, numbers)
    return Heard(
        findings=findings,
        numbers=numbers,
        score=score,
        signs=signs,
        ranked=rank(signs, score, patient),
        control=control_in(findings),
        answer=answer,
        closing=closing(findings, scope, signs, settled=_settled(answer, score, after), score=score),
        alarming=_alarming(findings, scope),
    )


_ALARMING = [
    "dark",
    "bleed",
    "spurt",
    "swell",
    "red",
    "hot",
    "streak",
    "pus",
    "green",
    "thick",
    "cold",
    "foul",
    "numb",
    "faint",
    "confused",
    "vomit",
    "worse",
    "open",
    "bone",
]


def _alarming(findings: Findings, scope: Scope) -> int | None:
    kinds = [kind for kind in findings.by_kind if kind.startswith(("sign.", "idiom", "mended", "close.", "control."))]
    understood = findings.covered(*kinds)
    for name in _ALARMING:
        for at in findings.where(name):
            harmless = any(findings.has(at, one) for one in ("plain", "common", "degree"))
            if at not in understood and not harmless and scope.of(Finding("net.word", (at,))) is Standing.PRESENT:
                return at
    return None


def _settled(answer: Answered | None, score: PainScore | None, after: str) -> bool:
    """Whether what was asked for has been answered, and harmlessly."""
    if score is not None:
        return score.value is not None and score.value < SEVERE_PAIN
    if answer is None:
        return False
    good = {
        "checkin_yesno": {Answer.YES, Answer.THUMB_UP},
        "visit": {Answer.YES, Answer.CONFIRM, Answer.ACK, Answer.THUMB_UP},
        "warning_signs": {Answer.NOTHING, Answer.NO},
        "checkin_pain": {Answer.NOTHING},
    }
    return answer.answer in good.get(after, set())
