"""Knows keyed proofs of what rows say, so that values exchanged between rows are found.

A sealed value is bound to its column and not to its row, which has no number yet when it is sealed. So the entry of the
audit trail that tells of a change carries, for each row that it wrote, a keyed hash over the row's number, whose it is
and what its values open to. Whoever verifies the trail opens the rows and reckons the same anew.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from operator import attrgetter
from typing import Any, NamedTuple

from sqlalchemy import Select, Table, bindparam, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.errors import SealError
from reminders.records.sealed_types import seals_in
from reminders.records.tables import MESSAGES

PROVES = "proves"
"""Under this name the details of an entry hold proofs: by kind of row and by its number."""
_PROOF_BYTES = 8  # found out by whoever has the key only, so nobody can look for two rows of one proof
_TO_PROVE = "rows_to_prove"
_AT_ONCE = 500
_PATIENTS, _CONTACTS = SQLModel.metadata.tables["patient"], SQLModel.metadata.tables["contact"]
_COURSES, _REPLIES = SQLModel.metadata.tables["enrollment"], SQLModel.metadata.tables["reply"]

Proofs = dict[str, dict[str, str]]


class ProvenRow(NamedTuple):
    """A row that was proved."""

    kind: str
    """patient (names and addresses), enrollment (facts of a course), reply, message."""
    id: int


def to_prove(session: Session, kind: str, ids: Iterable[int]) -> None:
    """Have rows proved by what the transaction notes, as they stand when it commits."""
    session.info.setdefault(_TO_PROVE, {}).setdefault(kind, set()).update(ids)


def with_proofs(session: Session, key: bytes, details: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the details of an entry with the proofs of all rows that its transaction is to prove."""
    wanted: Mapping[str, set[int]] = session.info.pop(_TO_PROVE, {})
    if not wanted:
        return details
    session.flush()
    proofs: Proofs = {**details.get(PROVES, {})}
    for kind, ids in wanted.items():
        said = _said(session, kind, ids)
        mine = {str(number): proof_of(key, ProvenRow(kind, number), told) for number, told in said.items()}
        proofs[kind] = {**proofs.get(kind, {}), **mine}
    return {**details, PROVES: proofs}


def proof_of(key: bytes, row: ProvenRow, said: Sequence[Any]) -> str:
    """Return the proof that a row says this."""
    octets = "\0".join(map(str, (*row, *said))).encode()
    return blake2b(octets, key=key, digest_size=_PROOF_BYTES).hexdigest()  # RFC 7693; each message that is sent pays it


def proofs_of_sent(key: bytes, messages: Iterable[Any]) -> Proofs:
    """Return the proofs of messages as they are in hand, which saves opening them once more."""
    kind = "message"
    said = ((each.id, (_IS_ITS_ADDRESS, *_as_sent(each))) for each in messages)
    return {kind: {str(number): proof_of(key, ProvenRow(kind, number), told) for number, told in said}}


@dataclass
class RowChecker:
    """Compares rows with their proofs, entry by entry: the last proof of a row is the one that counts."""

    key: bytes
    differing: dict[ProvenRow, None] = field(default_factory=dict)
    """In the order in which they were found."""
    proved: int = 0
    """So many proofs were compared; those of rows that were purged since are not."""

    def follow(self, session: Session, details: Iterable[str]) -> None:
        """Compare the rows that entries prove, the details of which are given from the oldest to the newest."""
        newest: dict[str, dict[int, str]] = {}
        for each in details:
            if PROVES in each:
                for kind, proofs in json.loads(each).get(PROVES, {}).items():
                    newest.setdefault(kind, {}).update((int(number), proof) for number, proof in proofs.items())
        for kind, by_number in newest.items():
            numbers = list(by_number)
            for at in range(0, len(numbers), _AT_ONCE):
                self._compare(session, kind, {each: by_number[each] for each in numbers[at : at + _AT_ONCE]})

    def _compare(self, session: Session, kind: str, proofs: Mapping[int, str]) -> None:
        try:
            said = _said(session, kind, proofs)
        except SealError:
            said = self._one_by_one(session, kind, proofs)
        for number, told in said.items():
            row = ProvenRow(kind, number)
            self.proved += 1
            if told and proof_of(self.key, row, told) == proofs[number]:
                self.differing.pop(row, None)
            else:
                self.differing[row] = None

    def _one_by_one(self, session: Session, kind: str, numbers: Iterable[int]) -> dict[int, Sequence[Any]]:
        """Return what rows say, nothing of those that do not open."""
        said: dict[int, Sequence[Any]] = {}
        for each in numbers:
            try:
                said |= _said(session, kind, [each])
            except SealError:
                said[each] = ()
        return said


def _said(session: Session, kind: str, ids: Collection[int]) -> dict[int, Sequence[Any]]:
    """Return what rows say by their number; without those that are purged, or whose words are."""
    return _KINDS[kind](session, sorted(ids))


def _patients(session: Session, ids: Sequence[int]) -> dict[int, Sequence[Any]]:
    run, numbers, is_true = session.connection().execute, {"ids": ids}, seals_in(session).is_hash
    said: dict[int, list[Any]] = {number: names for number, *names in run(_NAMES, numbers)}
    for number, channel, address, hashed in run(_ADDRESSES, numbers):
        said[number] += [channel, address, is_true(hashed, address)]
    return dict(said)


def _courses(session: Session, ids: Sequence[int]) -> dict[int, Sequence[Any]]:
    rows = session.connection().execute(_FACTS, {"ids": ids})
    return {
        number: [patient_id, procedure, day.isoformat(), json.dumps(facts, sort_keys=True)]
        for number, patient_id, procedure, day, facts in rows
    }


def _replies(session: Session, ids: Sequence[int]) -> dict[int, Sequence[Any]]:
    is_true = seals_in(session).is_hash
    rows = session.connection().execute(_WORDS, {"ids": ids})
    return {
        number: [patient_id, sender, is_true(hashed, sender), text]
        for number, patient_id, sender, hashed, text in rows
        if text
    }


def _messages(session: Session, ids: Sequence[int]) -> dict[int, Sequence[Any]]:
    is_true = seals_in(session).is_hash
    rows = session.connection().execute(_TEXTS, {"ids": ids})
    return {number: [is_true(hashed, said[2]), *said] for number, hashed, *said in rows if said[3]}


def _named(table: Table, names: str, column: str = "id") -> Select[Any]:
    """Return the query for some columns of the rows that belong to numbers, in the order in which they were added."""
    columns = (table.c[name] for name in names.split())
    return select(*columns).where(table.c[column].in_(bindparam("ids", expanding=True))).order_by(table.c.id)


_IS_ITS_ADDRESS = True
_SENT = "patient_id enrollment_id address text subject markdown"
"""What is proved of a message."""
_NAMES = _named(_PATIENTS, "id first_name last_name")
_ADDRESSES = _named(_CONTACTS, "patient_id channel address address_key", "patient_id")
_FACTS = _named(_COURSES, "id patient_id procedure procedure_on facts")
_WORDS = _named(_REPLIES, "id patient_id sender sender_key text")
_TEXTS = _named(MESSAGES, f"id address_key {_SENT}")
_as_sent = attrgetter(*_SENT.split())
_KINDS: Mapping[str, Callable[[Session, Sequence[int]], dict[int, Sequence[Any]]]] = {
    "patient": _patients,
    "enrollment": _courses,
    "reply": _replies,
    "message": _messages,
}
