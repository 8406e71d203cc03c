"""Keeps the names and addresses of a practice's patients in memory, opened, so that a part of one finds them.

They are sealed in the database, and what would let a part be found there (hashes of syllables, say) would also show who
is called alike, which a list of common names undoes. So whoever searches reads all of them once, then only what is new.
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Collection, Iterable
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Dialect, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

import reminders.records.tables  # noqa: F401  it fills the metadata, whoever comes first

_PATIENTS = SQLModel.metadata.tables["patient"]
_CONTACTS = SQLModel.metadata.tables["contact"]
_PRACTICES = SQLModel.metadata.tables["practice"]
_OVERLAP = 1000
"""So many numbers back it is looked for rows that were committed later than some with a higher number."""


def patients_matching(session: Session, practice_id: str, name: str, address: str) -> list[int]:
    """Return the patients whose name, or one of whose addresses, holds a part; the newest first.

    Neither case nor accents count. An empty part matches nothing.
    """
    with _LOCK:
        of_database = _DIRECTORIES.setdefault(session.connection().dialect, {})
        directory = of_database.setdefault(practice_id, _Directory(practice_id))
    return directory.matching(session, plain(name), plain(address))


def plain(text: str) -> str:
    """Return a text without case, accents and doubled spaces."""
    letters = text.casefold()
    if not letters.isascii():
        letters = "".join(each for each in unicodedata.normalize("NFKD", letters) if not unicodedata.combining(each))
    return " ".join(letters.split())


class _Directory:
    """The patients of one practice."""

    def __init__(self, practice_id: str) -> None:
        self._practice_id = practice_id
        self._reading = threading.Lock()
        self._renamings: int | None = None
        self._last: dict[str, int] = {}
        self._names: dict[int, str] = {}
        self._addresses: dict[int, tuple[int, str]] = {}
        """By the number of the address: whose it is, and what it reads."""

    def matching(self, session: Session, name: str, address: str) -> list[int]:
        with self._reading:
            self._keep_up(session)
            found = {number for number, text in self._names.items() if name in text} if name else set()
            if address:
                found |= {patient_id for patient_id, text in self._addresses.values() if address in text}
        return sorted(found, reverse=True)

    def _keep_up(self, session: Session) -> None:
        renamings = session.execute(
            select(_PRACTICES.c.renamings).where(_PRACTICES.c.id == self._practice_id)
        ).scalar_one_or_none()
        if renamings != self._renamings:
            for each in (self._last, self._names, self._addresses):
                each.clear()
            self._renamings = renamings
        for number, first, last in self._new_rows(session, _PATIENTS, self._names, ("first_name", "last_name")):
            # the first name again, so that "Example Robin" is found as well
            self._names[number] = plain(f"{first} {last} {first}")
        for number, patient_id, text in self._new_rows(session, _CONTACTS, self._addresses, ("patient_id", "address")):
            self._addresses[number] = (patient_id, plain(text))

    def _new_rows(
        self, session: Session, table: Any, known: Collection[int], columns: Iterable[str]
    ) -> Iterable[tuple[Any, ...]]:
        last = self._last.get(table.name, 0)
        number = table.c.id
        # The bare column would let SQLite read the whole practice by its index, rather than what is new by number.
        ours = table.c.practice_id.concat("") == self._practice_id
        wanted = select(number, *(table.c[name] for name in columns))
        rows = [*session.execute(wanted.where(number > last, ours))]
        if last:
            nearly_new = session.execute(select(number).where(number.between(last - _OVERLAP, last), ours)).scalars()
            late = [each for each in nearly_new if each not in known]
            if late:
                rows += session.execute(wanted.where(number.in_(late)))
        self._last[table.name] = max((last, *(row[0] for row in rows)))
        return rows


_LOCK = threading.Lock()
_DIRECTORIES: WeakKeyDictionary[Dialect, dict[str, _Directory]] = WeakKeyDictionary()
