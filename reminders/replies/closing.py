"""Whether a reply is surely one that nobody needs to read: thanks, done, fine, signs denied, and nothing else.

A reply is closed for what it says, never for want of signs: one word at least must say that things are well, and each
must be understood, unless it reads like the talk of harmless replies (`chatter`). Anything else goes to a person.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass
from typing import NamedTuple

from reminders.replies.chatter import Chatter, chatter_in
from reminders.replies.finding import Findings
from reminders.replies.judging import Sign, evidence
from reminders.replies.labels import Evidence
from reminders.replies.likeness import Likeness
from reminders.replies.naming import names
from reminders.replies.pain import MODERATE_PAIN, PainScore
from reminders.replies.patterns import Finding
from reminders.replies.scope import Scope, Standing
from reminders.sentences import english

_SAID = ("close.thanks", "close.ack", "close.done", "close.fine", "close.dressed", "close.keep")
_BESIDE = (
    "close.drainage",
    "close.told",
    "close.weak",
    "idiom",
    "mended",
    "scope.recent",
    "scope.resolved",
    "scope.none_of_it",
)
_MOST_CHAT = 9
_OPEN_ABOVE, _OPEN_OTHERWISE = 0.8, 0.5
"""Likeness to replies that a person must read above which none is closed, beside "all is well" and otherwise; nearly
half of the questions that the lexicons might miss lie there."""
_UNDERSTOOD = (
    "plain",
    "common",
    "degree",
    "courtesy",
    "ack",
    "good",
    "thanks",
    "done",
    "answer_yes",
    "answer_confirm",
    "unit",
    "joins",
)


@dataclass(frozen=True, slots=True)
class Closing:
    """Why a reply may be closed."""

    why: tuple[Evidence, ...]
    drainage: bool
    """The expected drainage is reported as told."""


class Known(NamedTuple):
    """What is known of a reply beside its signs."""

    settled: bool
    """An answer asked for was given and is harmless."""
    awaited: bool
    """An answer was asked for that talk alone does not give."""
    score: PainScore | None
    like: Likeness


def closing(
    findings: Findings,
    scope: Scope,
    signs: tuple[Sign, ...],
    *,
    known: Known,
) -> Closing | None:
    """Give the reasons to close, or None."""
    settled, awaited, score, like = known
    drainage = bool(findings.of("close.drainage"))
    said = [kind for kind in _SAID if findings.of(kind)]
    chatter = chatter_in(findings, like, said=bool(said), settled=settled, awaited=awaited)
    if (
        not findings.reading.tokens
        or like.person > (_OPEN_ABOVE if chatter.plain or findings.words.modest else _OPEN_OTHERWISE)
        or _asks(findings)
        or _may_stop(findings)
        or (findings.of("scope.beyond") and not (chatter.plain or settled))  # "ok so not like before"
        or any(_open(findings, s, drainage=drainage) for s in signs if s.name not in chatter.waived)
    ):
        return None
    covered = findings.covered(*_SAID, *_BESIDE)
    covered |= _scored(findings, score) | _told(findings, signs) | names(findings)
    denied = _denied(findings, scope, signs, covered, chatter)
    if denied is None:
        return None
    strong = bool(said or drainage or settled)
    if not findings.words.modest:  # of a language with a short list, only plain words that all is well are trusted
        negated = any(sign.standing is Standing.NEGATED for sign in signs) or bool(_worries(findings) & denied)
        strong = strong or negated or bool(findings.of("mended"))
    if not (strong or chatter.enough or findings.of("close.weak")):
        return None
    if not _understood(findings, covered | denied, chatter, strong=strong):
        return None
    courtesy = findings.covered("close.thanks", "close.ack", "close.weak")
    if not chatter.enough and unsaid_of_body(findings, (covered | denied) - courtesy) is not None:
        return None
    why = [
        evidence(findings, kind, (one.first, one.last), english("nothing to do for anybody"))
        for kind in (*said, "close.drainage", "close.weak")
        for one in findings.of(kind)[:1]
    ]
    if chatter.enough and not why:
        why = [evidence(findings, "likeness", (like.calm, like.calm), english("reads like replies that need nobody"))]
    return Closing(tuple(why), drainage and any(s.name == "drainage" and s.standing.counts for s in signs))


def _told(findings: Findings, signs: tuple[Sign, ...]) -> set[int]:
    """Give the words of signs that count but do not keep the reply open."""
    counted = [sign.evidence for sign in signs if sign.standing.counts]
    return {
        at
        for at, token in enumerate(findings.reading.tokens)
        if any(one.start <= token.start < one.end for one in counted)
    }


def _open(findings: Findings, sign: Sign, *, drainage: bool) -> bool:
    """Whether a sign keeps the reply open.

    Drainage said to be as expected does not, nor a trace of blood or another person's sign beside "looks fine".
    """
    fine = bool(findings.of("close.fine"))
    if sign.name == "fever" and sign.mild and sign.standing is not Standing.PAST:
        return True
    if sign.standing is Standing.SOMEONE_ELSE:
        return not fine
    if not sign.standing.counts:
        return False
    stopped = sign.standing is Standing.OVER and bool(findings.of("scope.resolved"))
    trace = sign.mild and fine and not stopped
    if findings.of("scope.beyond"):
        return True
    told = sign.name == "drainage" and bool(findings.of("close.told"))
    as_told = sign.name in {"drainage", "bleeding"} and (told or not sign.active) and (drainage or trace)
    return not as_told


def _understood(findings: Findings, covered: Set[int], chatter: Chatter, *, strong: bool) -> bool:
    """Whether the rest of the reply is understood well enough, and holds nothing serious."""
    if _says_more(findings, covered):
        return False
    serious, understood = findings.words.mask(*chatter.named), findings.words.mask(*_UNDERSTOOD)
    rest = [at for at in range(len(findings.masks)) if at not in covered]
    if any(_meant(findings, at, understood, slips=not chatter.unread) & serious for at in rest):
        return False
    unknown = _unknown(findings, covered)
    if chatter.unread:
        return len(unknown) <= _MOST_CHAT
    return len(unknown) <= _tolerated(findings, strong=strong) and not _done_by_another(findings, unknown, covered)


def _done_by_another(findings: Findings, unknown: list[int], covered: Set[int]) -> bool:
    """Whether a word that is not known is all that is told of another person: "my mother ..."."""
    parts = findings.reading.clause
    theirs = {parts[at] for at in findings.where("person", "family")} - {parts[at] for at in covered}
    return any(parts[at] in theirs for at in unknown)


def _scored(findings: Findings, score: PainScore | None) -> set[int]:
    """Find the words that only say what a low score measures ("pain 2")."""
    if score is None or score.value is None or score.value >= MODERATE_PAIN:
        return set()
    return {at for at in findings.where("pain") if at - score.first >= -4 and at - score.last <= 2}


def _asks(findings: Findings) -> bool:
    return bool(findings.of("ask")) and not _only_courtesy(findings)


_BEFORE_STOP = ("courtesy", "thanks", "contrast", "ack", "answer_yes", "no", "joins")


def _may_stop(findings: Findings) -> bool:
    """Whether a clause opens with a stop word, as one that bids does, though the reply is no plain request to stop.

    One that is understood otherwise ("quit bleeding") is none, nor is "end of ...".
    """
    if not findings.mentions("stop_word"):
        return False
    meant = {
        at
        for kind, found in findings.by_kind.items()
        for one in found
        for at in one.at
        if len(one.at) > 1 and not kind.startswith(("control.", "close.ack", "close.thanks"))
    }
    return any(at not in meant and _opens(findings, at) for at in findings.where("stop_word"))


def _opens(findings: Findings, at: int) -> bool:
    """Whether only courtesy stands before a word in its clause, or "so", and no "of" behind it."""
    tokens, parts = findings.reading.tokens, findings.reading.clause
    if at + 1 < len(tokens) and tokens[at + 1].word == "of":
        return False
    before = [one for one in range(at) if parts[one] == parts[at] and tokens[one].kind != "mark"]
    return findings.are(before, *_BEFORE_STOP) or before[-1] in findings.covered("control.so")


def _only_courtesy(findings: Findings) -> bool:
    """Tell whether all that is asked is courtesy: "thanks for asking, how are you"."""
    courtesy = findings.covered("close.courtesy")
    return all(not courtesy.isdisjoint(found.at) for found in findings.of("ask"))


def _denied(
    findings: Findings, scope: Scope, signs: tuple[Sign, ...], covered: Set[int], chatter: Chatter
) -> set[int] | None:
    """Tokens of denied signs and worries; None when a worry stands, or a negation of what nobody knows.

    In chatter a slip is not taken for a worry, nor a word of no class that counts in it.
    """
    serious = findings.words.mask(*chatter.named)
    tokens = findings.reading.tokens
    denied: set[int] = set()
    promised = bool(findings.of("close.ack") or findings.of("scope.none_of_it"))
    for at in range(len(tokens)):
        for sign in signs:
            if sign.standing.counts or not sign.evidence.start <= tokens[at].start < sign.evidence.end:
                continue
            if sign.standing is Standing.IMAGINED and not promised:
                return None  # "worried it might ..." asks for an answer; "will call if it ..." does not
            denied.add(at)
    for at in findings.where("concern", "harm"):
        if at in covered or at in denied or (chatter.unread and findings.entries[at].guessed):
            continue
        if not findings.masks[at] & serious:
            continue
        if _was(findings, at):
            denied.add(at)
            continue
        standing = scope.of(Finding("concern.word", (at,)))
        if standing.counts or (standing is Standing.IMAGINED and not promised):
            return None
        denied.add(at)
    if findings.of("scope.negation"):
        named = [at for at in findings.where(*chatter.named) if at not in covered and at not in denied]
        denied.update([at for at in named if scope.of(Finding("concern.word", (at,))) is Standing.NEGATED])
    denied |= _answered_one_by_one(findings)
    said = denied | covered
    blocking = [at for at in findings.where("negator") if _blocks(findings, at, said) and not _used(at, said)]
    if any(not chatter.unread or _ends_clause(findings, at) for at in blocking):
        return None
    return denied


def _answered_one_by_one(findings: Findings) -> set[int]:
    """Give each "no" that is a clause of its own, when there are several and no yes: "no. no. and no"."""
    if findings.mentions("answer_yes"):
        return set()
    others: dict[int, list[int]] = {}
    for at, part in enumerate(findings.reading.clause):
        if not findings.has(at, "joins"):
            others.setdefault(part, []).append(at)
    lone = {here[0] for here in others.values() if len(here) == 1 and findings.has(here[0], "no")}
    return lone if len(lone) > 1 else set()


def _was(findings: Findings, at: int) -> bool:
    """Whether a worry is told of the past, and after it that things are fine: "it was sore at first, now grand"."""
    parts = findings.reading.clause
    before = range(max(0, at - 4), at)
    told = any(parts[one] == parts[at] and findings.has(one, "was") for one in before)
    return told and any(found.first > at for found in findings.of("close.fine"))


def _worries(findings: Findings) -> set[int]:
    """Words of worry that name no sign."""
    named = findings.covered(*(kind for kind in findings.by_kind if kind.startswith(("sign.", "net."))))
    return set(findings.where("concern")) - named


def _blocks(findings: Findings, at: int, covered: Set[int]) -> bool:
    """Whether a negation needs something to deny; one that answers (the first word) or is a number does not."""
    word = findings.reading.tokens[at].word
    return at > 0 and at not in covered and not word.isdigit() and word not in findings.words.numbers


def _ends_clause(findings: Findings, at: int) -> bool:
    """Whether nothing follows that it could deny, so that it answers: "thanks, i mean no"; not in "aint nothing".

    Nor does "nothing" after another word, as in "lifted nothing".
    """
    parts = findings.reading.clause
    if at and parts[at - 1] == parts[at] and (findings.has(at - 1, "negator") or findings.has(at, "object")):
        return False
    return at + 1 == len(parts) or parts[at + 1] != parts[at]


def _used(negator: int, denied: Set[int]) -> bool:
    """Whether something denied stands after the negation, or just before it ("pus no")."""
    return any(at in denied for at in range(negator - 3, negator + 9))


def _unknown(findings: Findings, covered: Set[int]) -> list[int]:
    understood = findings.words.mask(*_UNDERSTOOD)
    return [
        at
        for at, token in enumerate(findings.reading.tokens)
        if not findings.masks[at] & understood and token.kind == "word" and at not in covered
    ]


def _meant(findings: Findings, at: int, understood: int, *, slips: bool) -> int:
    """Give the classes a word may be meant for: its own, none when it is understood, those of its like when unknown.

    `slips` says that a word may be a slip for another.
    """
    word, entry = findings.reading.tokens[at].word, findings.entries[at]
    if not slips and (entry.guessed or not entry.mask):
        return 0
    if entry.mask == 0 and len(word) >= 4:
        return findings.words.resembles(word)
    return 0 if not entry.guessed and entry.mask & understood else entry.mask


def carries_out(findings: Findings, after: str) -> bool:
    """Whether every word after an instruction is an everyday one and some tell of care: "doing it after supper"."""
    answering = {"none", "warning_signs", "checkin_pain", "checkin_yesno", "visit"}
    if after in answering or len(findings.masks) > _MOST_OF_PLAN:
        return False
    if not findings.where("care", "done") or findings.where("negator", "verbal_negator", "contrast", "concern", "pain"):
        return False
    return not _unknown(findings, set())


_MOST_OF_PLAN = 16


def unsaid_of_body(findings: Findings, covered: Set[int]) -> int | None:
    """Give a part of the body about which its clause says nothing that was understood; None when there is none.

    `covered` are the tokens understood. A clause that tells of care (soaked, wrapped, propped up) is understood.
    """
    parts = findings.reading.clause
    said = {parts[at] for at in (*covered, *findings.where("care"))}
    return next((at for at in findings.where(*_BODY) if at not in covered and parts[at] not in said), None)


_BODY = ("digit", "foot", "leg", "face", "throat", "chest", "heart", "site", "vital")


_MOST_BESIDE = 24


def _says_more(findings: Findings, covered: Set[int]) -> bool:
    """Whether most of a long reply is about something else than what lets it be closed."""
    tokens = findings.reading.tokens
    if len(tokens) <= _MOST_BESIDE:
        return False
    content = [
        at for at, token in enumerate(tokens) if token.kind == "word" and not findings.has(at, "degree", "courtesy")
    ]
    return len(content) > _MOST_BESIDE and sum(at in covered for at in content) * 5 < len(content)


def _tolerated(findings: Findings, *, strong: bool) -> int:
    """One word in four may be unknown where something is plainly well; three at most."""
    words = sum(token.kind == "word" for token in findings.reading.tokens)
    contrasts = [at for at in findings.where("contrast") if 0 < at < len(findings.masks) - 1]
    after = max((found.last for kind in _SAID for found in findings.of(kind)), default=-1)
    if contrasts and max(contrasts) > after:  # "great, but ..." leads to what was not understood
        return 0
    return min(3, words // 4) if strong else 0
