"""What a reply without urgent signs means as an answer to the message before it."""

from __future__ import annotations

from dataclasses import dataclass

from reminders.replies.answers import Answer
from reminders.replies.hearing import Heard
from reminders.replies.judging import evidence
from reminders.replies.labels import Evidence, Label
from reminders.replies.pain import MODERATE_PAIN, SEVERE_PAIN
from reminders.sentences import english

_MEANINGS = frozenset({"none", "warning_signs", "checkin_pain", "checkin_yesno", "visit"})
_INSTRUCTION = "instruction"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """The label a context gives, the signs it adds, and why."""

    label: Label
    signs: tuple[str, ...] = ()
    why: tuple[Evidence, ...] = ()


_UNCLEAR = (Label.ROUTINE, "unclear")
_CLOSED = (Label.NONE, "")
_URGENT = (Label.URGENT, "unclear")
_BARE: dict[tuple[str, Answer], tuple[Label, str]] = {
    ("none", Answer.ACK): _CLOSED,
    ("none", Answer.THUMB_UP): _CLOSED,
    (_INSTRUCTION, Answer.ACK): _CLOSED,
    (_INSTRUCTION, Answer.YES): _CLOSED,
    (_INSTRUCTION, Answer.THUMB_UP): _CLOSED,
    ("warning_signs", Answer.ACK): _CLOSED,
    ("warning_signs", Answer.THUMB_UP): _CLOSED,
    ("warning_signs", Answer.NO): _CLOSED,
    ("warning_signs", Answer.NOTHING): _CLOSED,
    ("checkin_pain", Answer.NOTHING): _CLOSED,
    ("checkin_pain", Answer.ACK): _CLOSED,
    ("checkin_pain", Answer.THUMB_UP): _CLOSED,
    ("checkin_yesno", Answer.YES): _CLOSED,
    ("checkin_yesno", Answer.THUMB_UP): _CLOSED,
    ("checkin_yesno", Answer.NO): _URGENT,
    ("checkin_yesno", Answer.NOTHING): _UNCLEAR,
    ("checkin_yesno", Answer.THUMB_DOWN): _URGENT,
    ("visit", Answer.YES): _CLOSED,
    ("visit", Answer.CONFIRM): _CLOSED,
    ("visit", Answer.ACK): _CLOSED,
    ("visit", Answer.THUMB_UP): _CLOSED,
    ("visit", Answer.NO): (Label.ROUTINE, "reschedule"),
    ("visit", Answer.THUMB_DOWN): (Label.ROUTINE, "reschedule"),
}
"""What an answer with nothing beside it means; a pair that is missing means a person must ask what was meant."""


def in_context(heard: Heard, after: str, *, understood: bool) -> Outcome:
    """Tell what a reply with no urgent sign and no control word means after the message of that key.

    `understood` says that the reply is in a language whose serious words are known beyond a short list.
    """
    outcome = _answering(heard, after)
    if outcome is not None:
        return outcome
    if understood and (alarm := _alarm(heard)) is not None:
        return alarm
    return _otherwise(heard)


def _answering(heard: Heard, after: str) -> Outcome | None:
    """Give the outcome that an answer to the message settles, None when the rest must decide."""
    key = after if after in _MEANINGS else _INSTRUCTION
    if heard.score is not None and key == "checkin_pain":
        return _scored(heard)
    answer = heard.answer.answer if heard.answer else None
    if heard.answer is not None and heard.answer.bare:
        fine = answer is Answer.ACK and _settles(heard)  # "todo bien"
        lone = key == "none" and len(heard.findings.reading.text.strip(" .!")) == 1 and answer is Answer.ACK
        said = Answer.LETTER if lone else heard.answer.answer  # "K" when nothing was asked
        label, sign = _BARE.get((key, said), _CLOSED if fine else _UNCLEAR)
        return Outcome(label=label, signs=(sign,) if sign else (), why=_answered(heard, key))
    if key == "checkin_yesno" and _affirms(heard):
        return Outcome(label=Label.NONE, why=_answered(heard, key))
    unsettled = answer in {Answer.NO, Answer.THUMB_DOWN} or bool(heard.unsettled)
    if key == "checkin_yesno" and unsettled:
        return _after_no(heard)
    if key == "visit" and answer is Answer.NO and not heard.closing:
        return Outcome(label=Label.ROUTINE, signs=("reschedule",), why=_answered(heard, key))
    return _after_signs(heard) if key == "warning_signs" else None


def _affirms(heard: Heard) -> bool:
    """Whether the reply is "it is", "both are" and nothing else."""
    findings = heard.findings
    said = findings.covered("answer.affirms")
    return bool(said) and all(at in said or findings.has(at, "courtesy", "thanks") for at in range(len(findings.masks)))


def _after_signs(heard: Heard) -> Outcome | None:
    """Give the outcome of an answer to the list of warning signs that names none of them."""
    has_one = [one for one in heard.findings.of("answer.has_one") if heard.scope.of(one).counts]
    if has_one:
        why = evidence(
            heard.findings, "answer.has_one", (has_one[0].first, has_one[0].last), english("has a sign of the list")
        )
        return Outcome(label=Label.URGENT, signs=("unclear",), why=(why,))
    if heard.answer is not None and heard.answer.answer is Answer.YES and not _settles(heard):
        # "yes" may mean "read it" or "I have one"
        return Outcome(label=Label.ROUTINE, why=_answered(heard, "warning_signs"))
    return None


def _scored(heard: Heard) -> Outcome | None:
    if heard.score is None:
        return None
    why = (evidence(heard.findings, "answer.pain_score", (heard.score.first, heard.score.last), english("pain score")),)
    if heard.score.value is None or heard.score.value >= MODERATE_PAIN:
        return Outcome(label=Label.ROUTINE, signs=("unclear",) if heard.score.value is None else (), why=why)
    if heard.closing or len(heard.findings.reading.tokens) == 1:
        return Outcome(label=Label.NONE, why=why)
    return None


def _after_no(heard: Heard) -> Outcome:
    """NO to "dressing dry and pain controlled?": urgent, unless the rest settles what it means."""
    why = _answered(heard, "checkin_yesno")
    wet = bool({"drainage", "bleeding"}.intersection(heard.ranked.signs)) or bool(heard.unsettled)
    if heard.closing and _settles(heard) and not wet:
        return Outcome(label=Label.NONE, why=(*why, *heard.closing.why))
    settling = {"drainage", "stuck_dressing", "itching"}
    mild = heard.pain is not None and heard.pain < SEVERE_PAIN
    told = not settling.isdisjoint(heard.ranked.signs) and not heard.unsettled
    if (mild and "bleeding" not in heard.ranked.signs) or told:
        return Outcome(label=Label.ROUTINE, why=why)
    return Outcome(label=Label.URGENT, signs=() if heard.ranked.signs else ("unclear",), why=why)


_SETTLING = frozenset({"close.fine", "close.dressed", "close.drainage", "close.done"})


def _settles(heard: Heard) -> bool:
    """Whether the reply says, beside its answer, that things are well."""
    return heard.closing is not None and any(one.rule in _SETTLING for one in heard.closing.why)


def _alarm(heard: Heard) -> Outcome | None:
    """Call the same day, to be safe, for a statement that names something serious and was not understood."""
    if heard.closing or heard.findings.of("ask") or not _BESIDE_ALARM.issuperset(heard.ranked.signs):
        return None
    at = heard.alarming if heard.alarming is not None or heard.ranked.signs else heard.reported
    if at is None or (_reads_calm(heard) and not heard.findings.has(at, "vital")):
        return None
    note = english("names something serious that was not understood")
    if heard.alarming is None:
        note = english("says of the body what was not understood")
    why = evidence(heard.findings, "net.word", (at, at), note)
    vital = heard.reported is not None and heard.findings.has(heard.reported, "vital")
    return Outcome(label=Label.EMERGENCY if vital else Label.URGENT, signs=("unclear",), why=(why,))


def _reads_calm(heard: Heard) -> bool:
    """Whether the whole reads so little like serious replies that one word of it need not be meant of the body."""
    like = heard.likeness
    return like.serious <= _CALM and like.person <= _CALM_PERSON


_CALM, _CALM_PERSON = -0.4, 0.3
"""Likeness below which no reply of the sets left out of the learning was serious for such a word."""
_BESIDE_ALARM = frozenset({"medicine_question", "callback", "drainage", "itching", "unclear"})
"""Signs for the next day that do not explain a serious word beside them."""


def _otherwise(heard: Heard) -> Outcome:
    if heard.closing:
        return Outcome(label=Label.NONE, signs=("drainage",) if heard.closing.drainage else (), why=heard.closing.why)
    asked = heard.findings.of("ask")
    if asked and not {"medicine_question", "reschedule", "callback"}.intersection(heard.ranked.signs):
        why = evidence(heard.findings, "ask", (asked[0].first, asked[0].last), english("asks something"))
        return Outcome(label=Label.ROUTINE, signs=("question",), why=(why,))
    return Outcome(label=Label.ROUTINE, signs=() if heard.ranked.signs or heard.pain is not None else ("unclear",))


def _answered(heard: Heard, key: str) -> tuple[Evidence, ...]:
    if heard.unsettled and key == "checkin_yesno":
        span = (heard.unsettled[0].first, heard.unsettled[0].last)
        return (evidence(heard.findings, "answer.unsettled", span, english("dressing not dry or pain not controlled")),)
    if heard.answer is None or not heard.findings.reading.tokens:
        return ()
    at = heard.answer.at
    return (
        evidence(
            heard.findings, f"answer.{heard.answer.answer.value}", (at, at), english("answers {key}").format(key=key)
        ),
    )
