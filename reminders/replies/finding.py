"""What the patterns of a lexicon find in a text, kept by kind and by the words they cover."""

from __future__ import annotations

from dataclasses import dataclass

from reminders.replies.labels import EMERGENCY_SIGNS
from reminders.replies.lexicon import Lexicon
from reminders.replies.patterns import Finding, Ground, match
from reminders.replies.reading import Reading


@dataclass(frozen=True, slots=True)
class Findings:
    """A reading with the classes of its words and everything found in it."""

    reading: Reading
    masks: tuple[int, ...]
    by_kind: dict[str, tuple[Finding, ...]]
    words: Lexicon
    together: int
    """The classes of all words."""

    def of(self, kind: str) -> tuple[Finding, ...]:
        """Give the findings of one kind, in no order."""
        return self.by_kind.get(kind, ())

    def covered(self, *kinds: str) -> set[int]:
        """Every token that a finding of these kinds fills."""
        return {at for kind in kinds for found in self.of(kind) for at in found.at}

    def has(self, at: int, *names: str) -> bool:
        """Whether the token is of one of the classes."""
        return bool(self.masks[at] & self.words.mask(*names))

    def where(self, *names: str) -> list[int]:
        """Give the tokens of classes."""
        wanted = self.words.mask(*names)
        if not self.together & wanted:
            return []
        return [at for at, mask in enumerate(self.masks) if mask & wanted]


def find(reading: Reading, words: Lexicon) -> Findings:
    """Find all patterns of a lexicon in a reading; signs whose words belong to an idiom are left out."""
    entries = [words.entry(token.word) for token in reading.tokens]
    skipped = words.mask("degree")
    masks = tuple(
        entry.mask if entry.mask or token.kind != "mark" else skipped
        for entry, token in zip(entries, reading.tokens, strict=True)
    )
    ground = Ground(masks, reading.clause, reading.sentence, skipped)
    found: dict[str, dict[tuple[int, ...], Finding]] = {}
    for at, entry in enumerate(entries):
        for pattern in entry.patterns:
            one = match(pattern, at, ground)
            if one is not None:
                found.setdefault(one.kind, {})[one.at] = one
    said = {at for one in found.get("idiom", {}) for at in one}
    against = words.mask("negator") | words.mask("upward")
    if "mended" in found:  # a slip is not trusted to take a sign away: "feger" may be "fever" or "fewer"
        found["mended"] = {
            at: one
            for at, one in found["mended"].items()
            if not any(entries[i].guessed for i in at) and not _leads_on(one, masks, words)
        }
    mended = [
        set(range(one.first, one.last + 1))
        for one in found.get("mended", {}).values()
        if not _crossed(one, masks, against)
    ]
    by_kind = {
        kind: tuple(
            one for at, one in ones.items() if not kind.startswith(_MEANT) or not _only_said(kind, at, said, mended)
        )
        for kind, ones in found.items()
    }
    for kind in [kind for kind in by_kind if kind.startswith(_WELL)]:
        by_kind[kind] = tuple(one for one in by_kind[kind] if not _crossed(one, masks, against))
    together = 0
    for mask in masks:
        together |= mask
    findings = Findings(reading, masks, by_kind, words, together)
    opening = tuple(one for one in findings.of("ask.opening") if _opens_clause(findings, one.first))
    told = findings.covered("scope.as_told")
    asked = (*(one for one in findings.of("ask") if not _answers_itself(findings, one)), *opening)
    by_kind["ask"] = tuple(one for one in asked if told.isdisjoint(one.at))
    return findings


def _answers_itself(findings: Findings, one: Finding) -> bool:
    """Whether a question mark is followed by its answer: "pain? none", "happy? yes"."""
    after = one.last + 1
    mark = findings.reading.tokens[one.last].word == "?"
    return mark and after < len(findings.masks) and findings.has(after, "denial", "answer_yes")


def _only_said(kind: str, at: tuple[int, ...], said: set[int], mended: list[set[int]]) -> bool:
    """Whether an idiom takes a sign away: one word of it is enough, but all of it for what is an emergency."""
    if any(span.issuperset(at) for span in mended):
        return True
    return said.issuperset(at) if kind.removeprefix("sign.") in EMERGENCY_SIGNS else bool(said.intersection(at))


def _opens_clause(findings: Findings, first: int) -> bool:
    """Whether only greetings and joining words stand before the token in its clause."""
    parts = findings.reading.clause
    at = first - 1
    while at >= 0 and parts[at] == parts[first]:
        if not findings.has(at, "courtesy", "degree", "joins", "contrast"):
            return False
        at -= 1
    return True


def _leads_on(one: Finding, masks: tuple[int, ...], words: Lexicon) -> bool:
    """Whether "going down" goes somewhere, as in "pain going down my arm"."""
    after = one.last + 1
    return (
        bool(masks[one.last] & words.mask("down")) and after < len(masks) and bool(masks[after] & words.mask("onward"))
    )


def _crossed(one: Finding, masks: tuple[int, ...], against: int) -> bool:
    """Whether a negation or a "more" stands among the words of something said to be well."""
    return any(masks[at] & against for at in range(one.first + 1, one.last) if at not in one.at)


_WELL = ("close.", "mended", "scope.resolved", "scope.eased")
_MEANT = ("sign.", "net.", "control.")
