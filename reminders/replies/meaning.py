"""Which findings are meant as said: no sign in an idiom, nothing well that is only wished, no question answered."""

from __future__ import annotations

from reminders.replies.finding import Findings
from reminders.replies.labels import EMERGENCY_SIGNS
from reminders.replies.patterns import Finding

_WELL = ("close.", "mended", "scope.resolved", "scope.eased")
_CALLED_GOOD = frozenset({"close.fine", "close.weak", "scope.eased"})
_TAKES_AWAY = ("mended", "scope.")
_GOING_DOWN = frozenset({"mended", "scope.eased", "close.fine"})
_SAID_FIRST = ("close.fine", "close.done", "close.dressed", "close.drainage", "mended", "scope.resolved", "scope.eased")
_UNSETTLED = "answer.unsettled"
_UNSETTLED_LAST = "answer.unsettled_last"
"""What answers only where nothing follows: "the pain is not", but "I'm not even taking pills" tells something else."""
_DENIALS = ("denial", "verbal_negator", "answer_no")
_JUDGED = (*_WELL, "sign.", "net.")
_TAKEN_WHOLE = frozenset(f"sign.{name}" for name in (*EMERGENCY_SIGNS, "supplies", "complaint"))


def meant(findings: Findings) -> Findings:
    """Leave out signs that an idiom or "less", "gone" takes away, what is only wished well, and what is not asked."""
    by_kind = dict(findings.by_kind)
    named = []
    if findings.of(_UNSETTLED_LAST):
        last = [one for one in findings.of(_UNSETTLED_LAST) if _ends_clause(findings, one)]
        by_kind[_UNSETTLED] = (*findings.of(_UNSETTLED), *last)
    if findings.mentions(*_DENIALS):
        denied = [one for kind in _SAID_FIRST for one in findings.of(kind) if _denied_after(findings, one)]
        if denied:
            by_kind[_UNSETTLED] = (*by_kind.get(_UNSETTLED, ()), *denied)
    for kind, ones in findings.by_kind.items():
        if not kind.startswith(_JUDGED):
            continue
        if kind.startswith(_WELL):
            by_kind[kind] = tuple([one for one in ones if _is_well(findings, kind, one)])
        else:
            named.append(kind)
    if named:
        said = findings.covered("idiom")
        control = findings.covered("control.wrong_person", "control.stop", "control.start", "control.slip")
        gone = (one for one in by_kind.get("mended", ()) if control.isdisjoint(one.at))  # not in "no more texts"
        mended = [set(range(one.first, one.last + 1)) for one in gone]
        if said or mended:
            for kind in named:
                by_kind[kind] = tuple([one for one in by_kind[kind] if not _only_said(one, said, mended)])
        if control:
            for kind in named:
                if kind.startswith("net."):
                    by_kind[kind] = tuple([one for one in by_kind[kind] if not control.issuperset(one.at)])
    by_kind["ask"] = _asked(findings)
    return findings.with_kinds(by_kind)


def _is_well(findings: Findings, kind: str, one: Finding) -> bool:
    if _crossed(findings, one) or _wished(findings, one):
        return False
    if kind.startswith(_TAKES_AWAY) and any(findings.entries[at].guessed for at in one.at):
        return False  # a slip is not trusted to take a sign away: "feger" may be "fever" or "fewer"
    if kind in _CALLED_GOOD and _not_so(findings, one):
        return False
    if findings.words.modest and kind.startswith("close.") and _denied(findings, one):
        return False
    if kind.startswith(_SAID_FIRST) and _denied_after(findings, one):
        return False
    return kind not in _GOING_DOWN or not _leads_on(findings, one)


def _denied_after(findings: Findings, one: Finding) -> bool:
    """Whether a lone negation follows, and nothing that it could deny instead: "under control def not", "dry? no"."""
    if not findings.mentions(*_DENIALS):
        return False
    parts, tokens = findings.reading.clause, findings.reading.tokens
    at = one.last + 1
    asked = at < len(tokens) and tokens[at].word == "?"
    at += asked
    if not asked and at < len(tokens) and parts[at] != parts[one.last]:
        return False
    while at + 1 < len(tokens) and findings.has(at, "degree") and not findings.has(at, "negator"):
        at += 1
    if at >= len(tokens) or tokens[at].kind == "num" or not findings.has(at, *_DENIALS):
        return False
    return all(
        tokens[rest].kind == "mark" or findings.has(rest, "degree", "answer_no", "denial", "courtesy", "thanks")
        for rest in range(at + 1, len(tokens))
        if parts[rest] == parts[at]
    )


def _not_so(findings: Findings, one: Finding) -> bool:
    """Whether a negation stands just before a single word of praise: "nada bien", "not good"."""
    before, parts = one.first - 1, findings.reading.clause
    if len(one.at) > 1 or before < 0 or parts[before] != parts[one.first]:
        return False
    return findings.has(before, "negator") and not findings.has(before, "degree")


def _denied(findings: Findings, one: Finding) -> bool:
    """Whether a negation of its clause denies that it is well: "nie goi się", "heilt nicht".

    The short lists hold no words for what else it might deny, and order words in many ways; so any that is not itself
    part of something well ("nie boli") counts.
    """
    if not findings.mentions("negator") or any(findings.has(at, "negator") for at in one.at):
        return False
    parts = findings.reading.clause
    own = findings.covered("close.fine", "close.thanks")
    denied = {
        at for kind, ones in findings.by_kind.items() if kind.startswith("sign.") for sign in ones for at in sign.at
    }
    return any(
        parts[at] == parts[one.first] and at not in own and not denied.intersection(range(at + 1, at + 4))
        for at in findings.where("negator")
    )


def _crossed(findings: Findings, one: Finding) -> bool:
    """Whether a negation, a "more" or an "otherwise" stands among the words of something said to be well."""
    first, last = one.first, one.last
    if last - first < len(one.at) or not findings.mentions("negator", "upward", "elsewise"):
        return False
    return any(findings.has(at, "negator", "upward", "elsewise") for at in range(first + 1, last) if at not in one.at)


def _wished(findings: Findings, one: Finding) -> bool:
    """Whether what is said to be well is only wanted: "i want this pain gone"."""
    if not findings.mentions("wish"):
        return False
    parts, first = findings.reading.clause, one.first
    before = range(max(0, first - 3), first)
    return any(findings.has(at, "wish") and parts[at] == parts[first] for at in before)


def _leads_on(findings: Findings, one: Finding) -> bool:
    """Whether "going down" goes somewhere, as in "pain going down my arm"."""
    after = one.last + 1
    return findings.has(one.last, "down") and after < len(findings.masks) and findings.has(after, "onward")


def _only_said(one: Finding, said: frozenset[int], mended: list[set[int]]) -> bool:
    """Whether an idiom takes a sign away: one word of it is enough, but all of it for what is taken whole."""
    if any(span.issuperset(one.at) for span in mended):
        return True
    return said.issuperset(one.at) if one.kind in _TAKEN_WHOLE else not said.isdisjoint(one.at)


def _asked(findings: Findings) -> tuple[Finding, ...]:
    """Give what is asked: not what is answered at once, nor "as you told me"; openings only where a clause opens."""
    if not (findings.of("ask") or findings.of("ask.opening")):
        return ()
    told = findings.covered("scope.as_told")
    opening = (one for one in findings.of("ask.opening") if _opens_clause(findings, one.first))
    asked = (*(one for one in findings.of("ask") if not _answers_itself(findings, one)), *opening)
    return tuple(one for one in asked if told.isdisjoint(one.at))


def _answers_itself(findings: Findings, one: Finding) -> bool:
    """Whether a question mark is followed by its answer: "pain? none", "happy? yes"."""
    after = one.last + 1
    mark = findings.reading.tokens[one.last].word == "?"
    return mark and after < len(findings.masks) and findings.has(after, "denial", "answer_yes")


def _ends_clause(findings: Findings, one: Finding) -> bool:
    """Whether only courtesy follows in its clause."""
    parts = findings.reading.clause
    rest = [at for at in range(one.last + 1, len(parts)) if parts[at] == parts[one.last]]
    return findings.are(rest, "courtesy", "thanks", "degree")


def _opens_clause(findings: Findings, first: int) -> bool:
    """Whether only greetings and joining words stand before the token in its clause."""
    parts = findings.reading.clause
    at = first - 1
    while at >= 0 and parts[at] == parts[first]:
        if not findings.has(at, "courtesy", "degree", "joins", "contrast"):
            return False
        at -= 1
    return True
