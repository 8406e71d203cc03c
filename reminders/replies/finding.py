"""What the patterns of a lexicon find in a text, kept by kind and by the words they cover."""

from __future__ import annotations

from collections.abc import Iterable
from operator import itemgetter
from typing import NamedTuple

from reminders.replies.lexicon import ByRarest, Entry, Lexicon, Ordered
from reminders.replies.patterns import Finding, match
from reminders.replies.reading import Reading

_NO_PART = -1
_ORDER = itemgetter(0)
_NOWHERE: frozenset[int] = frozenset()
_NEW = tuple.__new__
"""Makes a finding in half the time, for it calls nothing of Python's."""


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
        return self.masks[at] & self.words.unions[names] != 0

    def are(self, tokens: Iterable[int], *names: str) -> bool:
        """Whether every one of the tokens is of one of the classes."""
        wanted, masks = self.words.unions[names], self.masks
        return all(masks[at] & wanted for at in tokens)

    def mentions(self, *names: str) -> bool:
        """Whether any token is of one of the classes."""
        return self.together & self.words.unions[names] != 0

    def where(self, *names: str) -> list[int]:
        """Give the tokens of classes."""
        wanted = self.words.unions[names]
        if not self.together & wanted:
            return []
        return [at for at, mask in enumerate(self.masks) if mask & wanted]


def find(reading: Reading, words: Lexicon) -> Findings:
    """Find all patterns of a lexicon in a reading, whatever is meant by them."""
    known = words.entries
    entries = tuple([known[token.word] for token in reading.tokens])
    masks = [entry.mask for entry in entries]
    filled = [entry.fills for entry in entries]
    if 0 in masks:  # a mark that no file has is skipped like a word of degree
        for at, token in enumerate(reading.tokens):
            if token.kind == "mark" and not masks[at]:
                masks[at], filled[at] = words.skipped.mask, words.skipped.fills
    together = whole = 0
    clauses: dict[int, int] = {}
    for mask, fills, part in zip(masks, filled, reading.clause, strict=True):
        together |= mask
        whole |= fills
        clauses[part] = clauses.get(part, 0) | fills
    parts = ((*reading.clause, _NO_PART), (*reading.sentence, _NO_PART))
    found: dict[str, list[Finding]] = {}
    for at, entry in enumerate(entries):
        anchor = entry.anchor
        for kind in anchor.alone:
            found.setdefault(kind, []).append(_NEW(Finding, (kind, (at,))))
        here = clauses[reading.clause[at]]
        near, across = entry.near & here, entry.across & whole
        if not near and not across:
            continue
        possible = _possible(anchor.near, near, here) if near else []
        if across:
            possible += _possible(anchor.across, across, whole)
        if len(possible) > 1:
            possible.sort(key=_ORDER)
        for _, _, pattern in possible:
            one = match(pattern, at, filled, parts)
            if one is not None and one not in (same := found.setdefault(one.kind, [])):
                same.append(one)
    by_kind = {kind: tuple(ones) for kind, ones in found.items()}
    return Findings(reading, entries, tuple(masks), together, words, by_kind)


def _possible(patterns: ByRarest, met: int, there: int) -> list[Ordered]:
    """Give the patterns of which every place is filled by some word there; `met` are the rarest places that are."""
    possible: list[Ordered] = []
    while met:
        place = met & -met
        met ^= place
        possible += [one for one in patterns[place] if one[1] & there == one[1]]
    return possible
