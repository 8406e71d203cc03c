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
    together: int
    """The classes of all words."""
    guessed: frozenset[int]
    """Tokens that are no known word, but one slip away from one."""

    def of(self, kind: str) -> tuple[Finding, ...]:
        """Give the findings of one kind, in no order."""
        return self.by_kind.get(kind, ())

    def covered(self, *kinds: str) -> set[int]:
        """Every token that a finding of these kinds fills."""
        return {at for kind in kinds for found in self.of(kind) for at in found.at}

    def has(self, at: int, *names: str) -> bool:
        """Whether the token is of one of the classes."""
        mask = self.words.unions.get(names)
        return bool(self.masks[at] & (self.words.mask(*names) if mask is None else mask))

    def where(self, *names: str) -> list[int]:
        """Give the tokens of classes."""
        wanted = self.words.mask(*names)
        if not self.together & wanted:
            return []
        return [at for at, mask in enumerate(self.masks) if mask & wanted]


def find(reading: Reading, words: Lexicon) -> Findings:
    """Find all patterns of a lexicon in a reading, whatever is meant by them."""
    entries = [words.entry(token.word) for token in reading.tokens]
    skipped = words.mask("degree")
    masks = tuple([entry.mask for entry in entries])
    if 0 in masks:
        masks = tuple(
            entry.mask if entry.mask or token.kind != "mark" else skipped
            for entry, token in zip(entries, reading.tokens, strict=True)
        )
    ground = Ground(masks, reading.clause, reading.sentence, skipped)
    together = 0
    for mask in masks:
        together |= mask
    found: dict[str, dict[tuple[int, ...], Finding]] = {}
    for at, entry in enumerate(entries):
        for kind in entry.alone:
            found.setdefault(kind, {})[(at,)] = Finding(kind, (at,))
        for needs, pattern in entry.patterns:
            for needed in needs:
                if not together & needed:
                    break
            else:
                one = match(pattern, at, ground)
                if one is not None:
                    found.setdefault(one.kind, {})[one.at] = one
    by_kind = {kind: tuple(ones.values()) for kind, ones in found.items()}
    guessed = frozenset(at for at, entry in enumerate(entries) if entry.guessed)
    return Findings(reading, masks, by_kind, words, together, guessed)
