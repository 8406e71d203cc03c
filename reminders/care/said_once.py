"""What a patient would be told twice: by two courses at one time, or by one course whose moments fell together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta

from reminders.care.circumstances import OtherMessage
from reminders.care.moments import clock_text
from reminders.care.resolving import Resolved
from reminders.care.values import ContactRules, InDoubt, Occurrence, Outcome, Reason
from reminders.sentences import english

SAME_TIME = timedelta(hours=1)
"""Two courses say the same thing once when their messages are no further apart than this."""

DOSE_APART = timedelta(hours=4)
"""Two courses don't both tell a patient to take a medicine within this time, the shortest interval on the labels
of both usual ones (US Drug Facts, acetaminophen 325 mg and ibuprofen 200 mg: 4 to 6 hours)."""


def say_once(
    occurrences: Iterable[Occurrence], resolved: Resolved, rules: ContactRules, others: Sequence[OtherMessage]
) -> list[Occurrence]:
    """Withhold the scheduled occurrences that another message says as well; the rest stays as it is.

    Of two moments of one instruction that fell together the later one is kept, as it stays useful longer.
    """
    found: list[Occurrence] = []
    for each in occurrences:
        if each.outcome is Outcome.SCHEDULED:
            if found and found[-1].key == each.key and _falls_together(found[-1], each, rules):
                found[-1] = _withheld(found[-1], english("said once: its next time falls together with this one"))
            texts = [text for other in others if (text := _said_by(other, each, resolved))] if others else ()
            found.append(_withheld(each, texts[0]) if texts else each)
        else:
            found.append(each)
    return found


def _falls_together(earlier: Occurrence, later: Occurrence, rules: ContactRules) -> bool:
    return earlier.outcome is Outcome.SCHEDULED and abs(later.send_at - earlier.send_at) <= rules.join_within


def _said_by(other: OtherMessage, each: Occurrence, resolved: Resolved) -> str | None:
    # What was moved may lie far from the same moment of the other course, which went out in time.
    distance = min(abs(other.send_at - each.send_at), abs(other.send_at - each.planned_at))
    same = (other.procedure, other.key, other.text_name) == (resolved.plan.procedure, each.key, each.text_name)
    at = clock_text(other.send_at, resolved.course)
    # Courses that name their sites speak of one site each.
    if same and not resolved.course.overlaps and distance <= SAME_TIME:
        return english("said once: the other course says it at {clock}").format(clock=at)
    if each.in_doubt is InDoubt.HOLD and other.key == each.key and distance < DOSE_APART:
        hours = int(DOSE_APART.total_seconds()) // 3600
        dose = english("said once: the other course tells to take a medicine at {clock}, less than {hours} h away")
        return dose.format(clock=at, hours=hours)
    return None


def _withheld(each: Occurrence, text: str) -> Occurrence:
    reason = Reason(rule="said_once", text=text)
    return replace(each, outcome=Outcome.WITHHELD, reasons=(*each.reasons, reason))
