"""What the patterns of a lexicon find in a text, kept by kind and by the words they cover."""

from __future__ import annotations

from dataclasses import dataclass

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

    def of(self, kind: str) -> tuple[Finding, ...]:
        """The findings of one kind, in no order."""
        return self.by_kind.get(kind, ())

    def covered(self, *kinds: str) -> set[int]:
        """Every token that a finding of these kinds fills."""
        return {at for kind in kinds for found in self.of(kind) for at in found.at}

    def has(self, at: int, name: str) -> bool:
        """Whether the token is of the class."""
        return bool(self.masks[at] & self.words.mask(name))

    def where(self, name: str) -> list[int]:
        """The tokens of a class."""
        wanted = self.words.mask(name)
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
    mended = [set(range(min(at), max(at) + 1)) for at in found.get("mended", {})]
    by_kind = {
        kind: tuple(
            one
            for at, one in ones.items()
            if not kind.startswith(_MEANT) or not (said.intersection(at) or any(span.issuperset(at) for span in mended))
        )
        for kind, ones in found.items()
    }
    findings = Findings(reading, masks, by_kind, words)
    opening = tuple(one for one in findings.of("ask.opening") if _opens_clause(findings, one.first))
    by_kind["ask"] = (*findings.of("ask"), *opening)
    return findings


def _opens_clause(findings: Findings, first: int) -> bool:
    """Whether only greetings and joining words stand before the token in its clause."""
    parts = findings.reading.clause
    at = first - 1
    while at >= 0 and parts[at] == parts[first]:
        if not any(findings.has(at, name) for name in ("courtesy", "degree", "joins", "contrast")):
            return False
        at -= 1
    return True


_MEANT = ("sign.", "net.", "control.")
