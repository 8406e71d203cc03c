"""Appends to the audit trail in the transaction that makes the change, and reads the trail back.

What is noted in a transaction is appended as its last act, before it commits: one chain a practice needs one writer at
a time, and so the lock on the chain's newest entry is held for the commit alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Dialect, String, Table, bindparam, cast, event, literal, or_, select
from sqlalchemy.orm import Session, SessionTransaction

from reminders.records.audit_chain import (
    BEFORE_THE_FIRST,
    Anchor,
    Entry,
    as_details,
    hash_of,
)
from reminders.records.columns import Instant
from reminders.records.keyring import derived
from reminders.records.row_proofs import with_proofs
from reminders.records.tables import MESSAGES, Enrollment, Installation
from reminders.records.tables_audit import AUDIT_ENTRIES, AUDIT_HEADS

DONE, REFUSED, FAILED = "done", "refused", "failed"
SEND = "message.send"
"""The action of an entry that tells what became of a batch of messages, by their numbers."""
RECEIPT = "message.receipt"
"""The action of an entry that tells, likewise, what became known of them later."""
_ENROLLMENTS: Table = Enrollment.__table__  # type: ignore[attr-defined]
_WHO = "audit_who"
_NOTED = "audit_noted"
_PAGE = 2000
_AT = Instant()
_KEYS: WeakKeyDictionary[Dialect, tuple[bytes, bytes]] = WeakKeyDictionary()


@dataclass(frozen=True)
class Who:
    """Who acts: a person of the staff or another program by its number, a patient, this program, a user of the host."""

    kind: str
    """staff, key, patient, program, cli."""
    name: str = ""


PROGRAM = Who("program")
"""This program, by itself: sending, escalating, purging."""
PATIENT = Who("patient")
"""Whoever has the patient's link and code."""


@dataclass(frozen=True, kw_only=True)
class Noted:
    """What is to be appended."""

    practice_id: str
    at: datetime
    action: str
    patient_id: int | None = None
    about: str = ""
    outcome: str = DONE
    details: Mapping[str, Any] = field(default_factory=dict)
    """Numbers and the program's own words; nothing a person is called, wrote or can be reached at."""
    who: Who | None = None
    """None: whoever the transaction belongs to."""


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which entries are looked for."""

    patient_id: int | None = None
    who: Who | None = None
    action: str = ""
    """The action, or what it begins with before the dot: `concern`."""
    since: datetime | None = None


@dataclass(frozen=True)
class Head:
    """The newest entry of a chain."""

    sequence: int = 0
    hash: str = BEFORE_THE_FIRST
    purged_through: int = 0


def act_as(session: Session, who: Who) -> None:
    """Say whose a transaction is."""
    session.info[_WHO] = who


def acting(session: Session) -> Who:
    """Return whose a transaction is; this program's when nobody said."""
    who: Who = session.info.get(_WHO, PROGRAM)
    return who


def note(session: Session, noted: Noted) -> None:
    """Have an entry appended when the transaction commits; one that is taken back leaves none."""
    within = []
    transaction = session.get_nested_transaction() or session.get_transaction()
    while transaction is not None:
        within.append(transaction)
        transaction = transaction.parent
    session.info.setdefault(_NOTED, []).append((noted, within))


def append_noted(session: Session) -> None:
    """Append what was noted, as the last act before the commit; it locks the practice's chain until then."""
    noted: list[Noted] = [each for each, _ in session.info.pop(_NOTED, [])]
    if noted:
        noted[-1] = replace(noted[-1], details=with_proofs(session, proof_key(session), noted[-1].details))
    by_practice: dict[str, list[Noted]] = {}
    for each in noted:
        by_practice.setdefault(each.practice_id, []).append(each)
    for practice_id, those in sorted(by_practice.items()):  # always in one order, lest two wait for each other
        _append(session, practice_id, those)


def head_of(session: Session, practice_id: str) -> Head:
    """Return the newest entry of a practice's chain; number 0 when it has none."""
    found = session.connection().execute(_HEAD, {"of": practice_id}).first()
    return Head() if found is None else Head(*found)


def anchor_now(session: Session, practice_id: str, at: datetime) -> Anchor:
    """Return what to keep elsewhere, so that a cut-off tail is noticed later."""
    head = head_of(session, practice_id)
    return Anchor(practice_id=practice_id, sequence=head.sequence, hash=head.hash, at=at)


def page_after(session: Session, practice_id: str, sequence: int, *, through: int) -> list[Entry]:
    """Return the next entries after a number up to another, oldest first; at most two thousand."""
    numbers = {"of": practice_id, "after": sequence, "through": through}
    return list(map(Entry._make, session.connection().execute(_PAGE_AFTER, numbers)))


def find_entries(session: Session, practice_id: str, wanted: Wanted, *, limit: int) -> list[Entry]:
    """Return the newest entries that fit, newest first.

    Of a patient also those that name a course of theirs alone, and the batches that their messages left in.
    """
    columns = AUDIT_ENTRIES.c
    statement = select(AUDIT_ENTRIES).where(columns.practice_id == practice_id)
    if wanted.patient_id is not None:
        sent = select(MESSAGES.c.settled_at).where(
            MESSAGES.c.patient_id == wanted.patient_id, MESSAGES.c.settled_at.is_not(None)
        )
        courses = select(literal("enrollment ") + cast(_ENROLLMENTS.c.id, String)).where(
            _ENROLLMENTS.c.patient_id == wanted.patient_id
        )
        about = columns.patient_id.is_(None) & columns.about.in_(courses)
        batches = columns.patient_id.is_(None) & (columns.action == SEND) & columns.at.in_(sent)
        statement = statement.where(or_(columns.patient_id == wanted.patient_id, about, batches))
    if wanted.who is not None:
        statement = statement.where(columns.who_kind == wanted.who.kind, columns.who == wanted.who.name)
    if wanted.action:
        begins = columns.action.startswith(f"{wanted.action}.", autoescape=True)
        statement = statement.where(or_(columns.action == wanted.action, begins))
    if wanted.since is not None:
        statement = statement.where(columns.at >= wanted.since)
    newest = statement.order_by(columns.sequence.desc()).limit(limit)
    return list(map(Entry._make, session.connection().execute(newest)))


def chain_key(session: Session) -> bytes:
    """Return the key of the chain's hashes; it follows from a secret that the database keeps sealed.

    So it is in no database and in no backup, and it stays when the keys that seal are changed.
    """
    return _keys(session)[0]


def proof_key(session: Session) -> bytes:
    """Return the key of the proofs of rows, which comes from where the chain's comes."""
    return _keys(session)[1]


def _keys(session: Session) -> tuple[bytes, bytes]:
    dialect = session.get_bind().dialect
    if dialect not in _KEYS:
        secret = session.execute(select(Installation.look_up_secret)).scalar_one()  # type: ignore[call-overload]
        _KEYS[dialect] = derived(secret, b"reminders audit trail"), derived(secret, b"reminders proof of rows")
    return _KEYS[dialect]


def _append(session: Session, practice_id: str, those: Sequence[Noted]) -> None:
    key, who = chain_key(session), acting(session)
    connection = session.connection()
    dialect = connection.dialect
    statements = _statements(dialect.name)
    # every batch of messages passes here: bare statements cost it a third of what built ones would
    run = connection.exec_driver_sql
    head = run(statements.locked_head, (practice_id,)).first()
    if head is None:  # the first entry ever; somebody else may begin the chain at the same moment
        run(statements.first_head, (practice_id, BEFORE_THE_FIRST))
        head = run(statements.locked_head, (practice_id,)).one()
    sequence, previous = head
    at_kept = _AT.bind_processor(dialect)
    rows = []
    for each in those:
        sequence += 1
        by = each.who or who
        said = (practice_id, sequence, each.at, by.kind, by.name, each.action, each.patient_id, each.about)
        entry = Entry(*said, each.outcome, as_details(each.details), previous, "")
        previous = hash_of(key, entry)
        rows.append((*entry[:2], at_kept(entry.at), *entry[3:-1], previous))
    run(statements.add, rows)  # a trigger moves the head


@dataclass(frozen=True, kw_only=True)
class _Statements:
    """What appends to a chain, as a driver takes it."""

    locked_head: str
    first_head: str
    add: str


@cache
def _statements(dialect: str) -> _Statements:
    mark, lock = ("%s", " FOR UPDATE") if dialect == "postgresql" else ("?", "")
    marks = ", ".join([mark] * len(Entry._fields))
    heads = "audit_head (practice_id, sequence, hash)"
    return _Statements(
        locked_head=f"SELECT sequence, hash FROM audit_head WHERE practice_id = {mark}{lock}",  # noqa: S608  our own words
        first_head=f"INSERT INTO {heads} VALUES ({mark}, 0, {mark}) ON CONFLICT DO NOTHING",  # noqa: S608  as above
        add=f"INSERT INTO audit_entry ({', '.join(Entry._fields)}) VALUES ({marks})",  # noqa: S608  as above
    )


@event.listens_for(Session, "after_soft_rollback")
def _forget_what_was_taken_back(session: Session, taken_back: SessionTransaction) -> None:
    noted = session.info.get(_NOTED)
    if noted:
        session.info[_NOTED] = [each for each in noted if taken_back not in each[1]]


_HEAD = select(AUDIT_HEADS.c.sequence, AUDIT_HEADS.c.hash, AUDIT_HEADS.c.purged_through).where(
    AUDIT_HEADS.c.practice_id == bindparam("of")
)
_PAGE_AFTER = (
    select(AUDIT_ENTRIES)
    .where(
        AUDIT_ENTRIES.c.practice_id == bindparam("of"),
        AUDIT_ENTRIES.c.sequence > bindparam("after"),
        AUDIT_ENTRIES.c.sequence <= bindparam("through"),
    )
    .order_by(AUDIT_ENTRIES.c.sequence)
    .limit(_PAGE)
)
