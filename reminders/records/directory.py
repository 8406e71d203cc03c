"""Keeps the names and addresses of a practice's patients in memory, opened, so that a part of one finds them.

They are sealed in the database, and what would let a part be found there (hashes of syllables, say) would also show who
is called alike, which a list of common names undoes. So whoever searches reads all of them once, then only what is new.
"""

from __future__ import annotations

import threading
import unicodedata
from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from itertools import accumulate
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

from sqlalchemy import Dialect, Table, bindparam, select, type_coerce
from sqlalchemy.orm import Session
from sqlalchemy.types import NullType
from sqlmodel import SQLModel

from reminders.records.sealed_types import octets_of, seals_in
from reminders.records.sealing import SealedTable

_PRACTICES = SQLModel.metadata.tables["practice"]
_OVERLAP = 1000
"""So many numbers back it is looked for rows that were committed later than some with a higher number."""
_AT_ONCE = 4000
"""Rows that are read in one step; a block of lines holds as many."""


def patients_matching(session: Session, practice_id: str, name: str, address: str, *, most: int) -> list[int]:
    """Return the patients whose name, or one of whose addresses, holds a part; the newest first.

    Neither case nor accents count. An empty part matches nothing. Where many more than `most` match, only the newest
    are looked for.
    """
    return _directory(session, practice_id).matching(session, plain(name), plain(address), most)[:most]


def read_ahead(session: Session, practice_id: str) -> bool:
    """Read the next names and addresses before somebody searches; False when there are no more."""
    return _directory(session, practice_id).read_some(session)


def plain(text: str) -> str:
    """Return a text without case, accents and doubled spaces."""
    letters = text.casefold()
    if not letters.isascii():
        letters = "".join(each for each in unicodedata.normalize("NFKD", letters) if not unicodedata.combining(each))
    return " ".join(letters.split())


class _Block(NamedTuple):
    """A part of the lines, in one text: to search it costs no more than to search one line."""

    text: str
    starts: Sequence[int]
    """Where each line begins."""
    owners: Sequence[int]
    """Whose each line is."""

    def holding(self, part: str) -> Iterator[int]:
        """Give whose lines hold a part."""
        at = self.text.find(part)
        while at >= 0:
            line = bisect_right(self.starts, at) - 1
            yield self.owners[line]
            at = self.text.find(part, self.starts[line + 1]) if line + 1 < len(self.starts) else -1


class _Lines:
    """What one sealed table says of patients, a line for each of its rows, and how far it was read."""

    def __init__(self, table: Table, owner: str, sealed: Sequence[str], as_line: Callable[..., str]) -> None:
        self._table, self._as_line = table, as_line
        number, ours = table.c.id, table.c.practice_id.concat("") == bindparam("practice")
        # The bare column would let SQLite read the whole practice by its index, rather than what is new by number.
        read = [type_coerce(table.c[name], NullType()) for name in sealed]  # opened all at once, which is quicker
        rows = select(number, table.c[owner], *read).where(ours).order_by(number)
        self._contexts = [*map(SealedTable(table, tuple(sealed), ()).context, sealed)]
        self._next_rows = rows.where(number > bindparam("last")).limit(_AT_ONCE)
        self._rows_of = rows.where(number.in_(bindparam("numbers", expanding=True)))
        self._nearly_new = select(number).where(number.between(bindparam("first"), bindparam("last")), ours)
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self._last = 0
        self._lately_read: set[int] = set()
        self._blocks: list[_Block] = []

    def holding(self, part: str, most: int) -> set[int]:
        """Return whose lines hold a part; of very many those that were read last."""
        found: set[int] = set()
        for block in reversed(self._blocks):
            if len(found) < most:
                found.update(block.holding(part))
        return found

    def read_some(self, session: Session, practice_id: str) -> bool:
        """Read the next rows; False when there were fewer than are read at once."""
        values = {"practice": practice_id, "last": self._last}
        rows = session.connection().execute(self._next_rows, values).all()
        self._take(session, rows)
        return len(rows) == _AT_ONCE

    def read_late_ones(self, session: Session, practice_id: str) -> None:
        """Read rows that were committed after some with higher numbers."""
        values = {"practice": practice_id, "first": self._last - _OVERLAP, "last": self._last}
        nearly_new = session.connection().execute(self._nearly_new, values).scalars()
        if late := [each for each in nearly_new if each not in self._lately_read]:
            values = {"practice": practice_id, "numbers": late}
            self._take(session, session.connection().execute(self._rows_of, values).all())

    def _take(self, session: Session, rows: Sequence[Any]) -> None:
        if not rows:
            return
        keyring = seals_in(session).keyring
        numbers, owners, *columns = zip(*rows, strict=True)
        opened = [
            keyring.open_all(context, [each if type(each) is bytes else octets_of(each) for each in column])
            for context, column in zip(self._contexts, columns, strict=True)
        ]
        self._add(owners, [self._as_line(*map(bytes.decode, each)) for each in zip(*opened, strict=True)])
        self._last = max(self._last, *numbers)
        nearly = self._last - _OVERLAP
        self._lately_read = {each for each in (*self._lately_read, *numbers) if each >= nearly}

    def _add(self, owners: Sequence[int], lines: Sequence[str]) -> None:
        if self._blocks and len(self._blocks[-1].owners) + len(owners) <= _AT_ONCE:
            last = self._blocks.pop()
            owners, lines = (*last.owners, *owners), [*last.text.split("\n"), *lines]
        starts = accumulate(map(len, lines[:-1]), lambda start, length: start + length + 1, initial=0)
        self._blocks.append(_Block("\n".join(lines), array("L", starts), array("q", owners)))


class _Directory:
    """The patients of one practice."""

    def __init__(self, practice_id: str) -> None:
        tables = SQLModel.metadata.tables
        self._practice_id = practice_id
        self._reading = threading.Lock()
        self._renamings: int | None = None
        self._names = _Lines(tables["patient"], "id", ("first_name", "last_name"), _name_line)
        self._addresses = _Lines(tables["contact"], "patient_id", ("address",), plain)

    def matching(self, session: Session, name: str, address: str, most: int) -> list[int]:
        with self._reading:
            while self._read_some(session):
                pass
            for each in (self._names, self._addresses):
                each.read_late_ones(session, self._practice_id)
            found = self._names.holding(name, most) if name else set()
            if address:
                found |= self._addresses.holding(address, most)
        return sorted(found, reverse=True)

    def read_some(self, session: Session) -> bool:
        with self._reading:
            return self._read_some(session)

    def _read_some(self, session: Session) -> bool:
        renamings = session.connection().execute(_RENAMINGS, {"practice": self._practice_id}).scalar_one_or_none()
        if renamings != self._renamings:
            self._names.forget()
            self._addresses.forget()
            self._renamings = renamings
        more_names = self._names.read_some(session, self._practice_id)
        return self._addresses.read_some(session, self._practice_id) or more_names


def _name_line(first: str, last: str) -> str:
    """Return the first name again behind the last, so that "Example Robin" is found as well."""
    return plain(f"{first} {last} {first}")


def _directory(session: Session, practice_id: str) -> _Directory:
    with _LOCK:
        of_database = _DIRECTORIES.setdefault(session.connection().dialect, {})
        if practice_id not in of_database:
            of_database[practice_id] = _Directory(practice_id)
        return of_database[practice_id]


_RENAMINGS = select(_PRACTICES.c.renamings).where(_PRACTICES.c.id == bindparam("practice"))
_LOCK = threading.Lock()
_DIRECTORIES: WeakKeyDictionary[Dialect, dict[str, _Directory]] = WeakKeyDictionary()
