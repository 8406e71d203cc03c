"""Sees to it that what was deleted is gone from the files as well, as far as the database can.

SQLite overwrites what it frees with zeros (`secure_delete`) and empties its write-ahead log; the file keeps its size,
and the room is used again. PostgreSQL clears dead rows by VACUUM, and may leave octets of them in a page until that is
written anew; what is personal is sealed there as everywhere.
"""

from __future__ import annotations

from sqlalchemy.orm import Session

from reminders.records.database import Database
from reminders.records.engines import WRITES

_TABLES = ("message", "message_part", "reply", "concern", "concern_event", "consent_event", "contact", "enrollment")
_MORE = ("patient", "audit_entry")


def overwrite_what_is_freed(session: Session) -> None:
    """Have the transaction's connection overwrite what is deleted on it."""
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")


def settle_files(database: Database) -> None:
    """Take what was deleted out of the log and out of the tables' pages; readers that are at it are not waited for."""
    if database.engine.dialect.name == "postgresql":
        with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT", **{WRITES: True}) as connection:
            connection.exec_driver_sql(f"VACUUM {', '.join(_TABLES + _MORE)}")
        return
    raw = database.engine.raw_connection()
    try:
        cursor = raw.cursor()
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        cursor.close()
    finally:
        raw.close()
