"""Everything one reply says, gathered before anything is decided."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from reminders.replies.amounts import Amount, Measure, amounts
from reminders.replies.answers import Answer, Answered, answer_in
from reminders.replies.chatter import ALARMING
from reminders.replies.closing import Closing, Known, carries_out, closing, unsaid_of_body
from reminders.replies.control import Control, control_in
from reminders.replies.finding import Findings, find
from reminders.replies.judging import Sign, signs_in
from reminders.replies.lexicon import Lexicon
from reminders.replies.likeness import Likeness, likeness
from reminders.replies.meaning import meant
from reminders.replies.pain import HIGHEST_SCORE, MODERATE_PAIN, SEVERE_PAIN, PainScore, pain_score
from reminders.replies.patterns import Finding
from reminders.replies.reading import Reading
from reminders.replies.scope import Scope, Standing
from reminders.replies.urgency import Patient, Ranked, rank

_COUNTED_BELOW = -0.2
"""Likeness to replies that a person must read below which a number of what nobody knows is part of the talk."""
_NEVER_MEASURED = ((10, 34), (43.5, 95))
_AWAITING = frozenset({"checkin_pain", "checkin_yesno", "warning_signs"})
_UNDERSTOOD = ("sign.", "idiom", "mended", "close.", "control.")


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
    scope: Scope
    after: str

    @cached_property
    def closing(self) -> Closing | None:
        """Why the reply may be closed; None when a person must read it."""
        if any(_uncounted(number, self.likeness) for number in self.numbers):
            return None
        if self.pain is not None and self.pain >= MODERATE_PAIN:
            return None
        settled = _settled(self.answer, self.score, self.after) or carries_out(self.findings, self.after)
        known = Known(settled, self.after in _AWAITING, self.score, self.likeness)
        return closing(self.findings, self.scope, self.signs, known=known)

    @cached_property
    def likeness(self) -> Likeness:
        """How much it reads like serious replies."""
        return likeness(self.findings.reading, self.after)

    @cached_property
    def alarming(self) -> int | None:
        """A token that names something serious and belongs to nothing that was understood."""
        findings = self.findings
        kinds = [kind for kind in findings.by_kind if kind.startswith(_UNDERSTOOD)]
        understood = findings.covered(*kinds)
        for at in findings.where(*ALARMING):
            guessed = findings.entries[at].guessed
            if guessed or at in understood or findings.has(at, "plain", "common", "degree"):
                continue
            if self.scope.of(Finding("net.word", (at,))) is Standing.PRESENT:
                return at
        return None

    @cached_property
    def reported(self) -> int | None:
        """A part of the body of which something was reported that was not understood; not when asked or answering."""
        findings = self.findings
        if findings.of("ask") or findings.where("good", "thanks", "answer_no") or len(findings.masks) < 3:
            return None
        kinds = [kind for kind in findings.by_kind if kind.startswith(_UNDERSTOOD)]
        at = unsaid_of_body(findings, findings.covered(*kinds))
        present = at is not None and self.scope.of(Finding("net.word", (at,))) is Standing.PRESENT
        return at if present else None

    @cached_property
    def unsettled(self) -> tuple[Finding, ...]:
        """What says that the dressing is not dry or the pain not controlled, unless it is denied: "not wet"."""
        return tuple([one for one in self.findings.of("answer.unsettled") if not self._is_denied(one)])

    def _is_denied(self, one: Finding) -> bool:
        said = one.kind == "answer.unsettled" and not any(self.findings.has(at, "negator", "no") for at in one.at)
        return said and self.scope.of(one) is Standing.NEGATED

    @property
    def pain(self) -> int | None:
        """The current pain score, None when none is given."""
        return self.score.value if self.score else None


def _uncounted(number: Amount, like: Likeness) -> bool:
    """Whether nobody knows what a number counts; one that no thermometer or meter shows may be part of the talk."""
    if number.measure is not Measure.BARE or number.value <= HIGHEST_SCORE:
        return False
    return like.person > _COUNTED_BELOW or not any(low < number.value < high for low, high in _NEVER_MEASURED)


def hear(reading: Reading, after: str, words: Lexicon, patient: Patient) -> Heard:
    """Gather what a reply says; `after` is the key of the message it answers."""
    findings = meant(find(reading, words))
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
        control=control_in(findings, pending=after != "none"),
        answer=answer,
        scope=scope,
        after=after,
    )


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
