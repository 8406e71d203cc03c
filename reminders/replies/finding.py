"""What the patterns of a lexicon find in a text, kept by kind and by the words they cover."""

from __future__ import annotations

from operator import itemgetter
from typing import NamedTuple

from reminders.replies.lexicon import Entry, Group, Lexicon, Needing
from reminders.replies.patterns import Finding, match
from reminders.replies.reading import Reading

_NO_PART = -1
_ORDER = itemgetter(0)
_NOWHERE: frozenset[int] = frozenset()


class Findings(NamedTuple):
    """A reading with the classes of its words and everything found in it; a tuple, which is made faster."""

    reading: Reading
    entries: tuple[Entry, ...]
    """What is known of each token's word."""
    masks: tuple[int, ...]
    together: int
    """The classes of all words."""
    words: Lexicon
    by_kind: dict[str, tuple[Finding, ...]]

    def with_kinds(self, by_kind: dict[str, tuple[Finding, ...]]) -> Findings:
        """Give the same words with other findings."""
        return Findings(self.reading, self.entries, self.masks, self.together, self.words, by_kind)

    def of(self, kind: str) -> tuple[Finding, ...]:
        """Give the findings of one kind, in no order."""
        return self.by_kind.get(kind, ())

    def covered(self, *kinds: str) -> frozenset[int]:
        """Every token that a finding of these kinds fills."""
        by_kind = self.by_kind
        for kind in kinds:
            if by_kind.get(kind):
                return frozenset([at for kind in kinds for found in by_kind.get(kind, ()) for at in found.at])
        return _NOWHERE

    def has(self, at: int, *names: str) -> bool:
        """Whether the token is of one of the classes."""
        mask = self.words.unions.get(names)
        return bool(self.masks[at] & (self.words.mask(*names) if mask is None else mask))

    def mentions(self, *names: str) -> bool:
        """Whether any token is of one of the classes."""
        mask = self.words.unions.get(names)
        return bool(self.together & (self.words.mask(*names) if mask is None else mask))

    def where(self, *names: str) -> list[int]:
        """Give the tokens of classes."""
        wanted = self.words.unions.get(names)
        if wanted is None:
            wanted = self.words.mask(*names)
        if not self.together & wanted:
            return []
        return [at for at, mask in enumerate(self.masks) if mask & wanted]


def find(reading: Reading, words: Lexicon) -> Findings:
    """Find all patterns of a lexicon in a reading, whatever is meant by them."""
    remembered = words.remembered
    entries = tuple([remembered.get(token.word) or words.entry(token.word) for token in reading.tokens])
    masks = tuple([entry.mask for entry in entries])
    skipped = words.mask("degree")
    if 0 in masks:
        marks = [skipped if token.kind == "mark" else 0 for token in reading.tokens]
        masks = tuple([mask or mark for mask, mark in zip(masks, marks, strict=True)])
    together = 0
    beside: dict[int, int] = {}
    for mask, part in zip(masks, reading.clause, strict=True):
        together |= mask
        beside[part] = beside.get(part, 0) | mask
    parts = ((*reading.clause, _NO_PART), (*reading.sentence, _NO_PART))
    found: dict[Finding, None] = {}  # in order, and each once
    for at, entry in enumerate(entries):
        for kind in entry.alone:
            found[Finding(kind, (at,))] = None
        near = beside[reading.clause[at]]
        possible = _possible(entry.near, near) if near & entry.wanted else []
        if entry.across:
            possible += _possible(entry.across, together)
        if len(possible) > 1:
            possible.sort(key=_ORDER)
        for _, _, pattern in possible:
            one = match(pattern, at, masks, parts, skipped)
            if one is not None:
                found[one] = None
    by_kind: dict[str, tuple[Finding, ...]] = {}
    for one in found:
        by_kind[one.kind] = (*by_kind.get(one.kind, ()), one)
    return Findings(reading, entries, masks, together, words, by_kind)


def _possible(groups: tuple[Group, ...], there: int) -> list[Needing]:
    """Give the patterns of which every class is among those there."""
    return [
        one
        for need, ones in groups
        if there & need
        for one in ones
        if not one[1] or all(there & other for other in one[1])
    ]
