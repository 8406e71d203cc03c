"""Which control message a reply is: stop, start, help, or "you have the wrong person".

A control word counts when the message is that word, with nothing but courtesy around it, or when a sentence plainly
asks for it. Stop words: 47 CFR 64.1200(a)(10) as amended, 89 FR 15756 (5 March 2024): stop, quit, end, revoke,
opt out, cancel, unsubscribe. Those of other languages: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from reminders.replies.finding import Findings
from reminders.replies.judging import evidence
from reminders.replies.labels import Evidence


@dataclass(frozen=True, slots=True)
class Control:
    """What the reply asks of the service itself; each is None when it does not."""

    stop: Evidence | None = None
    start: Evidence | None = None
    help: Evidence | None = None
    wrong_person: Evidence | None = None


def control_in(findings: Findings) -> Control:
    """Control words and sentences; never raises, an empty text gives none."""
    alone = {name: _alone(findings, name) for name in ("stop", "start", "help")}
    if alone["stop"]:
        return Control(stop=alone["stop"], wrong_person=_wrong_person(findings))
    if alone["help"] or alone["start"]:
        return Control(start=alone["start"] if not alone["help"] else None, help=alone["help"])
    kept = findings.covered("control.keep")
    again = findings.covered("control.back")
    stop = _opening_stop(findings) or _sentence(findings, "control.stop", kept | again, "asks that the messages end")
    return Control(
        stop=stop,
        start=None if stop else _sentence(findings, "control.start", kept, "asks for the messages again"),
        wrong_person=_wrong_person(findings),
    )


def _opening_stop(findings: Findings) -> Evidence | None:
    """Find an unmistakable stop word that is the whole first sentence ("STOP. he fainted")."""
    sentence = findings.reading.sentence
    words = [at for at, token in enumerate(findings.reading.tokens) if token.kind == "word" and not sentence[at]]
    hits = [at for at in words if findings.has(at, "stop_first")]
    if not hits or not all(findings.has(at, "stop_first") or findings.has(at, "courtesy") for at in words):
        return None
    return evidence(findings, "control.stop", (hits[0], hits[-1]), "the first sentence is the word for stop")


def _alone(findings: Findings, name: str) -> Evidence | None:
    """Give the control word, when the whole message is that word and courtesy."""
    words = [at for at, token in enumerate(findings.reading.tokens) if token.kind in {"word", "num"}]
    if len(words) > 6 or (name == "start" and any(token.word == "?" for token in findings.reading.tokens)):
        return None
    hits = [at for at in words if findings.has(at, name + "_word")]
    if not hits:
        return _pair(findings, words, name)
    beside = (f"{name}_word", f"{name}_filler", "courtesy")
    if not all(findings.has(at, *beside) for at in words):
        return None
    return evidence(findings, f"control.{name}", (hits[0], hits[-1]), f"the message is the word for {name}")


def _pair(findings: Findings, words: list[int], name: str) -> Evidence | None:
    """Find control words written as two: "opt out", "stop all"."""
    joined = [
        (first, second)
        for first, second in pairwise(words)
        if findings.words.knows(both := findings.reading.tokens[first].word + findings.reading.tokens[second].word)
        and findings.words.entry(both).mask & findings.words.mask(name + "_word")
    ]
    beside = (f"{name}_filler", "courtesy")
    if not joined or not all(at in joined[0] or findings.has(at, *beside) for at in words):
        return None
    return evidence(findings, f"control.{name}", joined[0], f"the message is the words for {name}")


def _sentence(findings: Findings, kind: str, kept: set[int], note: str) -> Evidence | None:
    for found in findings.of(kind):
        if kept.isdisjoint(found.at):
            return evidence(findings, kind, (found.first, found.last), note)
    return None


def _wrong_person(findings: Findings) -> Evidence | None:
    meant = findings.covered("control.not_wrong")
    return _sentence(findings, "control.wrong_person", meant, "says that the number is not the patient's")
