"""Reads a reply together with what the same patient wrote minutes before: a sign may be spread over two texts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from reminders.records.replies import Said
from reminders.replies import Evidence, Label, Triage, triage_joined
from reminders.replies.labels import PRECEDENCE
from reminders.sentences import english

TOGETHER = timedelta(minutes=5)
"""Whoever writes one thing in several texts does so within minutes (common practice, no source)."""
MOST = 4
_SERIOUS = (Label.EMERGENCY, Label.URGENT)


@dataclass(frozen=True, kw_only=True)
class ReadAs:
    """How a reply is read: what `triage` is told besides its words."""

    after: str
    language: str
    day: int | None
    factors: frozenset[str]


def may_be_raised(found: Triage) -> bool:
    """Say whether an earlier text can change what a reply says: a control word stands for itself."""
    for_itself = found.opt_out or found.wrong_person or found.label in {Label.START, Label.HELP}
    return not for_itself and found.label is not PRECEDENCE[0]


def read_together(text: str, found: Triage, earlier: Sequence[Said], read_as: ReadAs) -> Triage:
    """Return what a reply says after the earlier ones, oldest first: more urgent only if all together say more.

    What an earlier reply said alone was acted on already. Evidence from it has no place in this one's text.
    """
    known = min(PRECEDENCE.index(each) for each in (found.label, *(Label(one.label) for one in earlier)))
    if not earlier or not may_be_raised(found) or PRECEDENCE[known] is PRECEDENCE[0]:
        return found
    texts = [*(each.text for each in earlier), text]
    together = triage_joined(
        texts, after=read_as.after, language=read_as.language, day=read_as.day, factors=read_as.factors
    )
    if together.label not in _SERIOUS or PRECEDENCE.index(together.label) >= known:
        return found
    offset = sum(len(each) + 1 for each in texts[:-1])
    return replace(
        together,
        why=tuple(_placed(each, offset, len(text)) for each in together.why),
        denied=found.denied,
        opt_out=False,
        wrong_person=False,
    )


def _placed(evidence: Evidence, offset: int, length: int) -> Evidence:
    start, end = evidence.start - offset, evidence.end - offset
    if 0 <= start < end <= length:
        return replace(evidence, start=start, end=end)
    note = english("{note}; together with the text before").format(note=evidence.note)
    return replace(evidence, start=0, end=0, note=note)
