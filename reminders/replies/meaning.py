"""Which findings are meant as said: no sign in an idiom, nothing well that is only wished, no question answered."""

from __future__ import annotations

from dataclasses import replace

from reminders.replies.finding import Findings
from reminders.replies.labels import EMERGENCY_SIGNS
from reminders.replies.patterns import Finding

_WELL = ("close.", "mended", "scope.resolved", "scope.eased")
_TAKES_AWAY = ("mended", "scope.")
_MEANT = ("sign.", "net.")


def meant(findings: Findings) -> Findings:
    """Leave out signs that an idiom or "less", "gone" takes away, what is only wished well, and what is not asked."""
    well = {
        kind: tuple(one for one in ones if _is_well(findings, kind, one))
        for kind, ones in findings.by_kind.items()
        if kind.startswith(_WELL)
    }
    said = findings.covered("idiom")
    control = findings.covered("control.wrong_person", "control.stop", "control.start")
    mended = [set(range(one.first, one.last + 1)) for one in well.get("mended", ())]
    signs = {
        kind: tuple(
            one
            for one in ones
            if not _only_said(one, said, mended) and not (kind.startswith("net.") and control.issuperset(one.at))
        )
        for kind, ones in findings.by_kind.items()
        if kind.startswith(_MEANT)
    }
    return replace(findings, by_kind={**findings.by_kind, **well, **signs, "ask": _asked(findings)})


def _is_well(findings: Findings, kind: str, one: Finding) -> bool:
    if _crossed(findings, one) or _wished(findings, one):
        return False
    if kind.startswith(_TAKES_AWAY) and not findings.guessed.isdisjoint(one.at):
        return False  # a slip is not trusted to take a sign away: "feger" may be "fever" or "fewer"
    return kind != "mended" or not _leads_on(findings, one)


def _crossed(findings: Findings, one: Finding) -> bool:
    """Whether a negation, a "more" or an "otherwise" stands among the words of something said to be well."""
    between = (at for at in range(one.first + 1, one.last) if at not in one.at)
    return any(findings.has(at, "negator", "upward", "elsewise") for at in between)


def _wished(findings: Findings, one: Finding) -> bool:
    """Whether what is said to be well is only wanted: "i want this pain gone"."""
    parts = findings.reading.clause
    before = range(max(0, one.first - 3), one.first)
    return any(findings.has(at, "wish") and parts[at] == parts[one.first] for at in before)


def _leads_on(findings: Findings, one: Finding) -> bool:
    """Whether "going down" goes somewhere, as in "pain going down my arm"."""
    after = one.last + 1
    return findings.has(one.last, "down") and after < len(findings.masks) and findings.has(after, "onward")


def _only_said(one: Finding, said: set[int], mended: list[set[int]]) -> bool:
    """Whether an idiom takes a sign away: one word of it is enough, but all of it for what is an emergency."""
    if any(span.issuperset(one.at) for span in mended):
        return True
    emergency = one.kind.removeprefix("sign.") in EMERGENCY_SIGNS
    return said.issuperset(one.at) if emergency else not said.isdisjoint(one.at)


def _asked(findings: Findings) -> tuple[Finding, ...]:
    """Give what is asked: not what is answered at once, nor "as you told me"; openings only where a clause opens."""
    told = findings.covered("scope.as_told")
    opening = (one for one in findings.of("ask.opening") if _opens_clause(findings, one.first))
    asked = (*(one for one in findings.of("ask") if not _answers_itself(findings, one)), *opening)
    return tuple(one for one in asked if told.isdisjoint(one.at))


def _answers_itself(findings: Findings, one: Finding) -> bool:
    """Whether a question mark is followed by its answer: "pain? none", "happy? yes"."""
    after = one.last + 1
    mark = findings.reading.tokens[one.last].word == "?"
    return mark and after < len(findings.masks) and findings.has(after, "denial", "answer_yes")


def _opens_clause(findings: Findings, first: int) -> bool:
    """Whether only greetings and joining words stand before the token in its clause."""
    parts = findings.reading.clause
    at = first - 1
    while at >= 0 and parts[at] == parts[first]:
        if not findings.has(at, "courtesy", "degree", "joins", "contrast"):
            return False
        at -= 1
    return True
