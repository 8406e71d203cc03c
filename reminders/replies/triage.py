"""From one reply to its triage: what it says, what that answers, how urgent it is, and which words led there.

The order is the practice's: signs that cannot wait, then control words, then a wrong number, then the answer to the
message before, then everything else. Whatever is not surely closed or a control word reaches a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

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


def triage_together(
    texts: Sequence[str],
    *,
    after: str = "none",
    language: str = "en",
    day: int | None = None,
    factors: frozenset[str] = frozenset(),
) -> Triage:
    """Triage replies that came within minutes as one; a sign may be spread over two of them.

    Places in the evidence count in the texts joined by one line break. No texts at all are as an empty reply.
    """
    apart = [triage(one, after=after, language=language, day=day, factors=factors) for one in texts]
    if len(apart) == 1:
        return apart[0]
    joined = triage_joined(texts, after=after, language=language, day=day, factors=factors)
    shifts = [sum(len(one) + 1 for one in texts[:at]) for at in range(len(texts))]
    moved = [_shifted(one, shift) for one, shift in zip(apart, shifts, strict=True)]
    return _most_urgent([*moved, joined])


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
    signs, why = set(heard.ranked.signs), list(heard.ranked.why)
    labels = [heard.ranked.label] if heard.ranked.label else []
    control = heard.control
    if heard.pain is not None and heard.pain >= SEVERE_PAIN and heard.score is not None:
        span = (heard.score.first, heard.score.last)
        why.append(
            evidence(
                heard.findings, "answer.pain_score", span, english("pain {number} of 10").format(number=heard.pain)
            )
        )
    serious = heard.ranked.label in _SERIOUS
    for said, label in ((control.stop, Label.STOP), (control.wrong_person, Label.WRONG_PERSON)):
        if said is not None:
            labels.append(label)
            why.append(said)
    if not (labels and (serious or control.stop or control.wrong_person)):
        lone = [(control.help, Label.HELP), (control.start, Label.START)]
        found = next(((said, label) for said, label in lone if said is not None), None)
        if found is not None and not heard.ranked.signs:
            labels, why = [found[1]], [found[0]]
        else:
            outcome = in_context(heard, after, understood=language in READ)
            labels = [outcome.label] if outcome.label is not Label.ROUTINE else [*labels, outcome.label]
            signs = set(outcome.signs) if outcome.label is Label.NONE else signs | set(outcome.signs)
            why += outcome.why
    elif heard.findings.of("ask") and serious:
        signs.add("question")
    label, likeness = raised(heard, min(labels, key=PRECEDENCE.index))
    if likeness is not None:
        why.append(likeness)
        signs = signs or {"unclear"}
    if label in _CONTROL:
        signs = set()
    if label is Label.ROUTINE and language not in READ:
        signs = {"unclear"}  # the desk can't read it, whatever it may say beside
    return Triage(
        label=label,
        signs=tuple(sorted(signs, key=SIGNS.index)),
        why=tuple(dict.fromkeys(why)),
        denied=_denied(heard),
        language=language,
        opt_out=control.stop is not None,
        wrong_person=control.wrong_person is not None,
        pain_score=heard.pain,
    )


def _denied(heard: Heard) -> tuple[Evidence, ...]:
    return tuple(dict.fromkeys(sign.evidence for sign in heard.signs if not sign.standing.counts))


def _shifted(result: Triage, shift: int) -> Triage:
    def moved(ones: tuple[Evidence, ...]) -> tuple[Evidence, ...]:
        return tuple(replace(one, start=one.start + shift, end=one.end + shift) for one in ones)

    return replace(result, why=moved(result.why), denied=moved(result.denied))


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
