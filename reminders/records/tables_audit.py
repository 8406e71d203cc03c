"""The tables of the audit trail, and the triggers by which the database itself refuses to change or delete entries.

A trigger stops a mistake, not somebody who owns the database; what they do shows in the chain (`records.audit_chain`).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import DDL, Column, ForeignKey, Index, Table, event, text
from sqlmodel import Field, SQLModel

import reminders.records.tables  # noqa: F401  what is referred to
from reminders.records.columns import BigId, Instant
from reminders.records.sealed_types import Sealed


class AuditEntry(SQLModel, table=True):
    """Who did or looked at what, and when. Without names and texts: numbers only."""

    __tablename__ = "audit_entry"
    __table_args__ = (
        # serves the question who looked at a patient
        Index(
            "ix_audit_entry_patient",
            "practice_id",
            "patient_id",
            "sequence",
            sqlite_where=text("patient_id IS NOT NULL"),
            postgresql_where=text("patient_id IS NOT NULL"),
        ),
        # serves lists since a moment, the search for what is to be purged, and for the sends of a moment
        Index("ix_audit_entry_at", "practice_id", "at"),
    )

    practice_id: str = Field(primary_key=True)
    sequence: int = Field(sa_column=Column(BigId, primary_key=True, autoincrement=False))
    at: datetime = Field(sa_column=Column(Instant, nullable=False))
    who_kind: str
    """staff, key (another program), patient, program (this one, by itself), cli."""
    who: str
    """The number of the person or the key; of `cli` the name of the operating system's user; empty for the others."""
    action: str
    patient_id: int | None = Field(default=None, sa_column=Column(BigId))
    about: str
    """The thing: `concern 3`."""
    outcome: str
    """done, refused, failed."""
    details: str
    """A JSON object; text, so that it is hashed as it is kept."""
    previous: str
    """The hash of the entry before it."""
    hash: str


class AuditHead(SQLModel, table=True):
    """The newest entry of a practice's chain. Whoever appends locks this row, last and until the commit."""

    __tablename__ = "audit_head"

    practice_id: str = Field(primary_key=True)
    sequence: int = Field(sa_column=Column(BigId, nullable=False))
    hash: str
    purged_through: int = Field(default=0, sa_column=Column(BigId, nullable=False, server_default="0"))
    """Entries up to this number may be deleted: the chain says that their time is over."""


class LegalHold(SQLModel, table=True):
    """A patient about whom nothing is deleted, whatever its age, as long as the hold lasts."""

    __tablename__ = "legal_hold"

    patient_id: int = Field(sa_column=Column(BigId, ForeignKey("patient.id"), primary_key=True, autoincrement=False))
    practice_id: str
    reason: str = Field(sa_column=Column(Sealed("legal_hold.reason"), nullable=False))
    placed_by: str
    placed_at: datetime = Field(sa_column=Column(Instant, nullable=False))


class SilencedAddress(SQLModel, table=True):
    """An address whose owner wants no messages and about whom nothing else is kept any more: only its keyed hash."""

    __tablename__ = "silenced_address"

    practice_id: str = Field(primary_key=True)
    channel: str = Field(primary_key=True)
    address_key: str = Field(primary_key=True)
    """The hash of `records.sealed_types.LookUp`, in hexadecimal: it can't be turned back into the address."""
    since: datetime = Field(sa_column=Column(Instant, nullable=False))


AUDIT_ENTRIES: Table = SQLModel.metadata.tables["audit_entry"]
AUDIT_HEADS: Table = SQLModel.metadata.tables["audit_head"]
LEGAL_HOLDS: Table = SQLModel.metadata.tables["legal_hold"]
SILENCED: Table = SQLModel.metadata.tables["silenced_address"]

_NEVER_CHANGED = "an audit entry is never changed"
_NEVER_DELETED = "an audit entry is deleted by the purge only"
_ONLY_FORWARD = "the audit trail only grows"

SQLITE_GUARDS = (
    f"""CREATE TRIGGER audit_entry_unchanged BEFORE UPDATE ON audit_entry
    BEGIN SELECT RAISE(ABORT, '{_NEVER_CHANGED}'); END""",
    # REPLACE deletes without asking the trigger below
    f"""CREATE TRIGGER audit_entry_not_replaced BEFORE INSERT ON audit_entry
    WHEN EXISTS (SELECT 1 FROM audit_entry WHERE practice_id = NEW.practice_id AND sequence = NEW.sequence)
    BEGIN SELECT RAISE(ABORT, '{_NEVER_CHANGED}'); END""",  # noqa: S608  our own words
    f"""CREATE TRIGGER audit_entry_stays BEFORE DELETE ON audit_entry
    WHEN OLD.sequence > coalesce((SELECT purged_through FROM audit_head WHERE practice_id = OLD.practice_id), 0)
    BEGIN SELECT RAISE(ABORT, '{_NEVER_DELETED}'); END""",  # noqa: S608  as above
    # here rather than by a statement of its own, which would cost every batch of messages as much again
    """CREATE TRIGGER audit_entry_moves_head AFTER INSERT ON audit_entry
    BEGIN UPDATE audit_head SET sequence = NEW.sequence, hash = NEW.hash
    WHERE practice_id = NEW.practice_id AND sequence < NEW.sequence; END""",
    f"""CREATE TRIGGER audit_head_forward BEFORE UPDATE ON audit_head
    WHEN NEW.practice_id <> OLD.practice_id OR NEW.sequence < OLD.sequence OR NEW.purged_through < OLD.purged_through
    BEGIN SELECT RAISE(ABORT, '{_ONLY_FORWARD}'); END""",
    f"""CREATE TRIGGER audit_head_not_replaced BEFORE INSERT ON audit_head
    WHEN EXISTS (SELECT 1 FROM audit_head WHERE practice_id = NEW.practice_id)
    BEGIN SELECT RAISE(ABORT, '{_ONLY_FORWARD}'); END""",  # noqa: S608  as above
    f"""CREATE TRIGGER audit_head_stays BEFORE DELETE ON audit_head
    BEGIN SELECT RAISE(ABORT, '{_ONLY_FORWARD}'); END""",
)

POSTGRESQL_GUARDS = (
    f"""CREATE FUNCTION audit_entry_guard() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF TG_OP = 'UPDATE' THEN RAISE EXCEPTION '{_NEVER_CHANGED}'; END IF;
        IF TG_OP = 'DELETE' THEN
            IF OLD.sequence <= (SELECT purged_through FROM audit_head WHERE practice_id = OLD.practice_id) THEN
                RETURN OLD;
            END IF;
        END IF;
        RAISE EXCEPTION '{_NEVER_DELETED}';
    END $$""",  # noqa: S608  as above
    f"""CREATE FUNCTION audit_head_guard() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF TG_OP = 'UPDATE' THEN
            IF NEW.practice_id = OLD.practice_id AND NEW.sequence >= OLD.sequence
               AND NEW.purged_through >= OLD.purged_through THEN
                RETURN NEW;
            END IF;
        END IF;
        RAISE EXCEPTION '{_ONLY_FORWARD}';
    END $$""",
    """CREATE FUNCTION audit_entry_moves_head() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        UPDATE audit_head SET sequence = NEW.sequence, hash = NEW.hash
        WHERE practice_id = NEW.practice_id AND sequence < NEW.sequence;
        RETURN NULL;
    END $$""",
    """CREATE TRIGGER audit_entry_moves_head AFTER INSERT ON audit_entry
    FOR EACH ROW EXECUTE FUNCTION audit_entry_moves_head()""",
    """CREATE TRIGGER audit_entry_kept BEFORE UPDATE OR DELETE ON audit_entry
    FOR EACH ROW EXECUTE FUNCTION audit_entry_guard()""",
    """CREATE TRIGGER audit_entry_not_emptied BEFORE TRUNCATE ON audit_entry
    FOR EACH STATEMENT EXECUTE FUNCTION audit_entry_guard()""",
    """CREATE TRIGGER audit_head_kept BEFORE UPDATE OR DELETE ON audit_head
    FOR EACH ROW EXECUTE FUNCTION audit_head_guard()""",
    """CREATE TRIGGER audit_head_not_emptied BEFORE TRUNCATE ON audit_head
    FOR EACH STATEMENT EXECUTE FUNCTION audit_head_guard()""",
)


def _guards() -> Iterator[DDL]:
    for dialect, statements in (("sqlite", SQLITE_GUARDS), ("postgresql", POSTGRESQL_GUARDS)):
        yield from (DDL(each).execute_if(dialect=dialect) for each in statements)  # type: ignore[no-untyped-call]


for _each in _guards():
    event.listen(SQLModel.metadata, "after_create", _each)
