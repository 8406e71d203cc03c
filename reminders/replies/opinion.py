"""What a reply's likeness to serious ones adds to what the lexicons made of it: here it may raise, never lower.

The lines are drawn where, on sets left out of the learning, most of the serious replies that the lexicons missed are
found, one routine reply in ten is raised, and one or two harmless ones in a hundred stay open.
"""

from __future__ import annotations

from reminders.replies.amounts import Measure
from reminders.replies.chatter import ALARMING
from reminders.replies.hearing import Heard
from reminders.replies.judging import evidence
from reminders.replies.labels import EMERGENCY_SIGNS, URGENT_SIGNS, Evidence, Label
from reminders.replies.likeness import Likeness
from reminders.replies.scope import Standing
from reminders.sentences import english

_CLINICAL = frozenset(EMERGENCY_SIGNS + URGENT_SIGNS)
_URGENT_BEYOND = {Label.ROUTINE: -0.4, Label.NONE: 0.5}
_EMERGENCY_BEYOND = {Label.URGENT: 0.0, Label.ROUTINE: 0.4, Label.NONE: 0.8}
_UNSURE = 0.35
"""How much more likeness is wanted of a single word, and of few and unknown ones."""
_ASKED, _SCORED, _EXPLAINED, _EASING = 0.7, 0.8, 1.0, 1.3
"""How much more in a question and about a visit, beside a score, where a sign for the next day says what the reply is
about, and beside a score that is called better."""
_BUSINESS = frozenset({"supplies", "reschedule", "medicine_question", "callback", "complaint"})
_OF_SITE = frozenset({"itching", "stuck_dressing"})
_WEEPING = "drainage"
"""Tells what the reply is about where it is said to be thin: what is expected."""
_VITAL = ("vital", "face", "throat", "chest", "heart")
_SITE = ("digit", "foot", "leg", "site")
_NAMED = (*_VITAL, *_SITE, *ALARMING)
_NOISE = 3
_PIECE, _FRAGMENT = 2, 0.95
"""How much more of two words that go to a person anyway: a piece of a sentence, to be read with the rest."""
_DENIED = 0.85
"""How much more where a sign was named and is not there; where that is the word that weighed most, as much as
`_EASING`."""
_GONE = (Standing.NEGATED, Standing.PAST)
_UNTOLD = 3.0
"""How much more where somebody wants to stop, or writes of the word for it, and names nothing that is to stop."""
_SETTLED = 9.0
"""Where a sign was named and judged to wait, no likeness counts."""


def raised(heard: Heard, label: Label) -> tuple[Label, Evidence | None]:
    """Give the label, or a higher one and the word that weighed most; control messages and answers stay."""
    if label not in _EMERGENCY_BEYOND or (heard.answer is not None and heard.answer.bare):
        return label, None
    like = heard.likeness
    for higher, lines, weight in (
        (Label.EMERGENCY, _EMERGENCY_BEYOND, like.emergency),
        (Label.URGENT, _URGENT_BEYOND, like.serious),
    ):
        if like.at < 0 or label not in lines or weight <= lines[label]:
            continue
        more = 0.0 if label is Label.URGENT else _doubt(heard, label, like)
        if weight > lines[label] + more and _says(heard):
            note = english("reads like replies that were {label}").format(label=higher)
            return higher, evidence(heard.findings, "likeness", (like.at, like.at), note)
    return label, None


def _says(heard: Heard) -> bool:
    """Whether there is a word in it, and not marks only."""
    return any(token.kind == "word" for token in heard.findings.reading.tokens)


def _doubt(heard: Heard, label: Label, like: Likeness) -> float:
    """How much less the words of a reply weigh than they seem to."""
    named = [sign for sign in heard.signs if sign.name in _CLINICAL or sign.name == "net"]
    if any(sign.standing.counts or sign.evidence.rule.startswith("number.") for sign in named):
        return _SETTLED
    if named:
        weightiest = heard.findings.reading.tokens[like.at].start
        denied = [one.evidence for one in named if one.standing in _GONE]
        return _EASING if any(one.start <= weightiest < one.end for one in denied) else _DENIED
    if label is Label.ROUTINE and len(heard.findings.masks) <= _PIECE:
        return _FRAGMENT
    words = len(heard.findings.masks)
    noise = words <= 1 or (words <= _NOISE and not like.known)
    doubts = {
        _SETTLED: any(n.measure is Measure.OTHER and n.first <= like.at <= n.last for n in heard.numbers),
        _EASING: heard.score is not None and not heard.score.rising and bool(heard.findings.of("close.fine")),
        _EXPLAINED: _explained(heard),
        _SCORED: heard.score is not None,
        _DENIED: like.at in heard.findings.covered("idiom", "mended", "close.fine"),
        _UNTOLD: like.at in heard.findings.covered("control.untold") and not heard.findings.mentions(*_NAMED),
        _ASKED: bool(heard.findings.of("ask")) or heard.after == "visit",
        _UNSURE: noise,
    }
    return next((doubt for doubt, there in doubts.items() if there), 0.0)


def _explained(heard: Heard) -> bool:
    """Whether a sign for the next day says what the reply is about, and it names no part of the body besides."""
    named = {sign.name for sign in heard.signs if sign.standing.counts}
    if heard.findings.mentions(*_VITAL):
        return False
    if _WEEPING in named and heard.findings.of("scope.thin"):
        return True
    return not named.isdisjoint(_OF_SITE) or (not named.isdisjoint(_BUSINESS) and not heard.findings.mentions(*_SITE))
