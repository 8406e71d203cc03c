"""Whether a reply asks, in words of its own, that the messages end.

Two things make such a request, in any language and order of words that is known: a word of ending ("quit", "dejen
de", "nie mehr") or a negated request ("don't", "ya no", "por favor não"), and after it a verb of writing or a noun for
messages that it reaches only through words which carry it on. "Stop the ointment" reaches neither, nor does "didn't
get your message" ask; "don't send me to hospital" sends somebody, not something.
"""

from __future__ import annotations

from reminders.replies.finding import Findings
from reminders.replies.patterns import Finding

_KIND = "control.stop"
_SUBJECT_REACH = 3


def revocations(findings: Findings) -> list[Finding]:
    """Give every request that the messages end, as the first and the last of its words."""
    if not findings.mentions("ending", "refusing") or not findings.mentions("writing", "sending", "texts"):
        return []
    found = [_reached(findings, at) for at in findings.where("ending", "refusing")]
    return [one for one in found if one is not None]


def _reached(findings: Findings, start: int) -> Finding | None:
    """Walk from a word of ending or refusing to what is to end, or give up at the first word that leads elsewhere."""
    if _told(findings, start):
        return None
    parts = findings.reading.clause
    alone = asked = findings.has(start, "ending")
    for at in range(start + 1, len(parts)):
        if parts[at] != parts[start]:
            return None
        if findings.has(at, "writing") or (findings.has(at, "texts") and (asked or _no_more_of(findings, at))):
            return Finding(_KIND, (start, at))
        if findings.has(at, "sending"):
            last = _sent(findings, at, alone=alone)
            return None if last is None else Finding(_KIND, (start, last))
        alone = alone or findings.has(at, "ever_more")
        asked = alone or asked or findings.has(at, "wish")
        if not findings.has(at, "carrying", "ever_more", "wish", "degree", "courtesy"):
            return None
    return None


def _no_more_of(findings: Findings, at: int) -> bool:
    """Whether "more" follows what is refused: "keine SMS mehr"."""
    parts = findings.reading.clause
    return at + 1 < len(parts) and parts[at + 1] == parts[at] and findings.has(at + 1, "ever_more")


def _told(findings: Findings, start: int) -> bool:
    """Whether it tells what somebody does ("I don't text much") and neither bids nor wishes ("I don't want ...")."""
    parts = findings.reading.clause
    before = [at for at in range(max(0, start - _SUBJECT_REACH), start) if parts[at] == parts[start]]
    by_whom = any(findings.has(at, "doer") for at in before)
    by_whom |= bool(before) and not findings.has(start, "ending") and findings.has(start - 1, "telling")
    wished = [*before, *range(start + 1, min(start + 2, len(parts)))]
    return by_whom and not any(findings.has(at, "wish") for at in wished)


def _sent(findings: Findings, verb: int, *, alone: bool) -> int | None:
    """Give the last word of what is sent, when it is messages or nothing that is named; None for any other thing."""
    parts = findings.reading.clause
    last, named = verb, alone
    for at in range(verb + 1, len(parts)):
        if parts[at] != parts[verb] or findings.reading.tokens[at].kind == "mark":
            break
        if findings.has(at, "texts"):
            return at
        if findings.has(at, "ever_more"):
            named = True
        elif not findings.has(at, "refusing", "carrying", "degree", "courtesy", "thanks"):
            return last if not findings.masks[at] and findings.has(last, "ever_more") else None
        last = at
    return last if named else None
