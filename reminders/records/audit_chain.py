"""Knows how entries of the audit trail hang together, and finds in a chain what was altered, removed or put in.

Each entry carries an HMAC-SHA256 (RFC 2104) over all it says, its number and the hash of the entry before it. The hash
is keyed, as a plain one hinders nobody: who can write to the database could alter an entry and reckon all later hashes
anew. The key is kept where no database is (`records.sealing`). Who has it as well, such as whoever runs the host, can
still cut entries off and write others; an anchor that was exported before, and is kept elsewhere, shows that.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

PURGED = "audit.purge"
"""The action of the entry that tells which entries were deleted as their time was over."""
BEFORE_THE_FIRST = ""
"""What the first entry names as the hash before it."""
_FORMAT = b"reminders audit entry 1\n"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class Entry(NamedTuple):
    """One entry as it is kept; a tuple, as a row becomes one without a call per field."""

    practice_id: str
    sequence: int
    """Counted from 1 within a practice, without gaps."""
    at: datetime
    who_kind: str
    who: str
    action: str
    patient_id: int | None
    about: str
    outcome: str
    details: str
    """A JSON object, compact, its keys in order; hashed as it stands."""
    previous: str
    hash: str


@dataclass(frozen=True, kw_only=True)
class Anchor:
    """What a chain came to at a moment; who keeps it elsewhere notices when entries up to it are others later."""

    practice_id: str
    sequence: int
    hash: str
    at: datetime
    """When it was taken."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something that is wrong with a chain."""

    kind: str
    """altered, missing, out_of_place, cut_off, not_as_anchored."""
    first: int
    """The number of the entry, or of the first one of several."""
    last: int


def hash_of(key: bytes, entry: Entry) -> str:
    """Return the hash that an entry must carry, in hexadecimal."""
    said = [entry.practice_id, entry.sequence, (entry.at - _EPOCH) // _MICROSECOND, *entry[3:11]]
    octets = json.dumps(said, separators=(",", ":")).encode()
    return hmac.digest(key, _FORMAT + octets, "sha256").hex()


def as_details(values: Mapping[str, Any]) -> str:
    """Return the details of an entry in the one form in which they are kept."""
    return json.dumps(values, sort_keys=True, separators=(",", ":"))


@dataclass
class Checker:
    """Follows a chain from its first entry to its last, and holds no more than the last one in memory."""

    key: bytes
    anchors: Mapping[int, Anchor] = field(default_factory=dict)
    """By the number of the entry."""
    count: int = 0
    last: Entry | None = None
    _last_was_altered: bool = False
    _purges: set[tuple[int, str]] = field(default_factory=set)
    _begins_after: tuple[int, str] = (0, BEFORE_THE_FIRST)
    """Number and hash of the entry that the first one names."""

    def follow(self, entries: Iterable[Entry]) -> Iterator[Finding]:
        """Check entries in the order of their numbers, after those of earlier calls; give what is wrong with them."""
        for entry in entries:
            altered = not hmac.compare_digest(entry.hash.encode(), hash_of(self.key, entry).encode())
            if altered:
                yield _one("altered", entry.sequence)
            yield from self._link(entry)
            anchor = self.anchors.get(entry.sequence)
            if anchor is not None and anchor.hash != entry.hash:
                yield _one("not_as_anchored", entry.sequence)
            if entry.action == PURGED and not altered:
                told = json.loads(entry.details)
                self._purges.add((told["through"], told["hash"]))
            self.last, self._last_was_altered = entry, altered
            self.count += 1

    def end(self, newest: int) -> Iterator[Finding]:
        """Give what is wrong with the chain as a whole, of which the newest entry should have the number `newest`."""
        begins, _ = self._begins_after
        if begins and self._begins_after not in self._purges:
            yield Finding(kind="missing", first=1, last=begins)
        reached = self.last.sequence if self.last else 0
        ends = max((newest, *self.anchors))
        if reached < ends:
            yield Finding(kind="cut_off", first=reached + 1, last=ends)

    @property
    def oldest(self) -> int:
        """The number of the first entry that is kept; 1 when none was purged."""
        return self._begins_after[0] + 1

    def _link(self, entry: Entry) -> Iterator[Finding]:
        if self.last is None:
            self._begins_after = (entry.sequence - 1, entry.previous)
            if entry.sequence == 1 and entry.previous != BEFORE_THE_FIRST:
                yield _one("out_of_place", entry.sequence)
        elif entry.sequence != self.last.sequence + 1:
            yield Finding(kind="missing", first=self.last.sequence + 1, last=entry.sequence - 1)
        elif entry.previous != self.last.hash and not self._last_was_altered:
            yield _one("out_of_place", entry.sequence)


def _one(kind: str, sequence: int) -> Finding:
    return Finding(kind=kind, first=sequence, last=sequence)
