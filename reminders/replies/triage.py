"""From one reply to its triage: what it says, what that answers, how urgent it is, and which words led there.

The order is the practice's: signs that cannot wait, then control words, then a wrong number, then the answer to the
message before, then everything else. Whatever is not surely closed or a control word reaches a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from reminders.replies.context import in_context
from reminders.replies.hearing import Heard, hear
from reminders.replies.judging import evidence
from reminders.replies.labels import PRECEDENCE, SIGNS, Evidence, Label, Triage
from reminders.replies.language import READ, language_of, words_of
from reminders.replies.opinion import raised
from reminders.replies.pain import SEVERE_PAIN
from reminders.replies.reading import parts, read
from reminders.replies.urgency import Patient
from reminders.sentences import english

_SERIOUS = (Label.EMERGENCY, Label.URGENT)
_CONTROL = (Label.STOP, Label.WRONG_PERSON, Label.START, Label.HELP)


def triage(
    text: str,
    *,
    after: str = "none",
    language: str = "en",
    day: int | None = None,
    factors: frozenset[str] = frozenset(),
) -> Triage:
    """Triage one reply. Never raises, whatever the text holds; what can't be read goes to a person.

    `after` is the instruction key of the message answered (`none` when nothing is pending; an unknown key is a plain
    instruction), `language` the one the patient chose, `day` the day of the course (0 the day of the procedure).
    """
    patient = Patient(day=day, factors=factors)
    results: list[Triage] = []
    for reading in parts(read(text)):
        spoken = language_of(reading, language)
        heard = hear(reading, after, words_of(spoken), patient)
        results.append(_decide(heard, after, spoken.partition("+")[0]))
    if len(results) == 1:
        return results[0]
    whole = _most_urgent(results)
    # what is written at such length is never closed unread
    return whole if whole.needs_person else replace(whole, label=Label.ROUTINE, signs=("unclear",))


def triage_joined(
    texts: Sequence[str],
    *,
    after: str = "none",
    language: str = "en",
    day: int | None = None,
    factors: frozenset[str] = frozenset(),
) -> Triage:
    """Triage texts as the parts of one sentence or of several; what each says alone is not asked."""
    return _most_urgent(
        [triage(between.join(texts), after=after, language=language, day=day, factors=factors) for between in "\n "]
    )


def _decide(heard: Heard, after: str, language: str) -> Triage:
    said = _controlled(heard, _ranked(heard))
    if not said.settled:
        said = _lone_control(heard) or _answered(heard, said, after, language)
    elif said.label in _SERIOUS and heard.findings.of("ask"):
        said = said._replace(signs=said.signs | {"question"})
    said = _desk_reads(_raised(heard, said), language)
    return Triage(
        label=said.label,
        signs=tuple(sorted(said.signs, key=SIGNS.index)),
        why=_once(said.why),
        denied=_denied(heard),
        language=language,
        opt_out=heard.control.stop is not None,
        wrong_person=heard.control.wrong_person is not None,
        pain_score=heard.pain,
    )


class _Said(NamedTuple):
    """What has been made of a reply so far; a tuple, because so many are made."""

    labels: tuple[Label, ...]
    """Those that apply; the first by precedence wins."""
    signs: frozenset[str]
    why: tuple[Evidence, ...]
    settled: bool = True
    """Nothing that the reply answers can change it."""

    @property
    def label(self) -> Label:
        return self.labels[0] if len(self.labels) == 1 else min(self.labels, key=PRECEDENCE.index)


def _ranked(heard: Heard) -> _Said:
    """Give what the signs and the pain score say."""
    labels = (heard.ranked.label,) if heard.ranked.label else ()
    why = tuple(heard.ranked.why)
    if heard.pain is not None and heard.pain >= SEVERE_PAIN and heard.score is not None:
        span, note = (heard.score.first, heard.score.last), english("pain {number} of 10").format(number=heard.pain)
        why += (evidence(heard.findings, "answer.pain_score", span, note),)
    return _Said(labels=labels, signs=frozenset(heard.ranked.signs), why=why, settled=heard.ranked.label in _SERIOUS)


def _controlled(heard: Heard, said: _Said) -> _Said:
    """Add a request to stop and a wrong number, which hold beside any sign."""
    found = ((heard.control.stop, Label.STOP), (heard.control.wrong_person, Label.WRONG_PERSON))
    for why, label in found:
        if why is not None:
            said = said._replace(labels=(*said.labels, label), why=(*said.why, why), settled=True)
    return said


def _lone_control(heard: Heard) -> _Said | None:
    """Give HELP or START, which count only where no sign is told."""
    if heard.ranked.signs:
        return None
    for why, label in ((heard.control.help, Label.HELP), (heard.control.start, Label.START)):
        if why is not None:
            return _Said(labels=(label,), signs=frozenset(), why=(why,))
    return None


def _answered(heard: Heard, said: _Said, after: str, language: str) -> _Said:
    """Add what the reply means as an answer to the message before."""
    outcome = in_context(heard, after, understood=language in READ)
    before = said.labels if outcome.label is Label.ROUTINE else ()
    signs = frozenset(outcome.signs)
    return _Said(
        labels=(*before, outcome.label),
        signs=signs if outcome.label is Label.NONE else said.signs | signs,
        why=(*said.why, *outcome.why),
    )


def _raised(heard: Heard, said: _Said) -> _Said:
    """Raise what reads like serious replies."""
    label, likeness = raised(heard, said.label)
    if likeness is None:
        return said
    return said._replace(labels=(label,), why=(*said.why, likeness), signs=said.signs or frozenset({"unclear"}))


def _desk_reads(said: _Said, language: str) -> _Said:
    """Leave the signs that staff can act on: none beside a control word, none of a text that they can't read."""
    if said.label in _CONTROL:
        return said._replace(signs=frozenset())
    if said.label is Label.ROUTINE and language not in READ:
        return said._replace(signs=frozenset({"unclear"}))
    return said


def _denied(heard: Heard) -> tuple[Evidence, ...]:
    return _once(tuple([sign.evidence for sign in heard.signs if not sign.standing.counts]))


def _once(found: tuple[Evidence, ...]) -> tuple[Evidence, ...]:
    return found if len(found) < 2 else tuple(dict.fromkeys(found))


def _most_urgent(results: list[Triage]) -> Triage:
    """Give the result that comes first by precedence, with the revocations and signs of all."""
    first = min(results, key=lambda one: PRECEDENCE.index(one.label))
    signs = {name for one in results if one.needs_person for name in one.signs}
    scores = [one.pain_score for one in results if one.pain_score is not None]
    return replace(
        first,
        signs=tuple(sorted(signs, key=SIGNS.index)) if first.needs_person else first.signs,
        why=tuple(dict.fromkeys(one for result in (first, *results) for one in result.why)),
        denied=tuple(dict.fromkeys(one for result in results for one in result.denied)),
        opt_out=any(one.opt_out for one in results),
        wrong_person=any(one.wrong_person for one in results),
        pain_score=max(scores, default=None),
    )
