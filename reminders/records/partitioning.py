"""Parts the message table of a PostgreSQL database by practice, into partitions by the practice's hash."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, text
from sqlalchemy.exc import DatabaseError

from reminders.errors import ConfigError, InputError
from reminders.records.database import shown
from reminders.records.engines import WRITES, build_engine, parse_url
from reminders.sentences import english

MOST = 64
_SECONDS = 3600


def part_messages(url: str, count: int) -> tuple[str, ...]:
    """Turn the message table into `count` partitions by the hash of the practice; return their names.

    All or nothing, and with the table locked: a minute for some millions of messages. Every key gets the practice
    beside it, as PostgreSQL wants. InputError on SQLite, or when it is parted already.
    """
    parsed = parse_url(url)
    if parsed.get_backend_name() != "postgresql":
        raise InputError(
            english("only a PostgreSQL database can be parted; SQLite serves one practice, or a few small ones")
        )
    if not 2 <= count <= MOST:
        raise InputError(english("between 2 and {most} partitions, not {count}").format(most=MOST, count=count))
    engine = build_engine(parsed, statement_seconds=_SECONDS).execution_options(**{WRITES: True})
    try:
        with engine.begin() as connection:
            if partitions(connection):
                raise InputError(english("the messages are parted already"))
            _part(connection, count)
            names = partitions(connection)
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM ANALYZE message")
    except DatabaseError as error:
        raise ConfigError(f"{shown(parsed)}: {str(error.orig).strip().splitlines()[0]}") from error
    finally:
        engine.dispose()
    return names


def partitions(connection: Connection) -> tuple[str, ...]:
    """Return the names of the message table's partitions; () when it is one table."""
    found = connection.execute(
        text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'message'::regclass ORDER BY inhrelid")
    )
    return tuple(found.scalars())


def _part(connection: Connection, count: int) -> None:
    run = connection.exec_driver_sql
    run("LOCK TABLE message, message_part IN ACCESS EXCLUSIVE MODE")
    constraints = _constraints(connection)
    indexes = _indexes(connection, tuple(name for name, _ in constraints))
    options = run("SELECT array_to_string(reloptions, ', ') FROM pg_class WHERE oid = 'message'::regclass").scalar()
    pointing = _pointing_here(connection)
    columns = run(
        "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute"
        " WHERE attrelid = 'message'::regclass AND attnum > 0 AND NOT attisdropped"
    ).scalar()
    run("ALTER TABLE message RENAME TO message_whole")
    run(
        "CREATE TABLE message (LIKE message_whole INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE)"
        " PARTITION BY HASH (practice_id)"
    )
    for number in range(count):
        run(
            f"CREATE TABLE message_of_{number} PARTITION OF message"
            f" FOR VALUES WITH (MODULUS {count}, REMAINDER {number}) WITH ({options})"
        )
    run(f"INSERT INTO message ({columns}) SELECT {columns} FROM message_whole")  # noqa: S608  names of the catalogue
    run("ALTER SEQUENCE message_id_seq OWNED BY message.id")
    for table, name in pointing:
        run(f"ALTER TABLE {table} DROP CONSTRAINT {name}")
    run("DROP TABLE message_whole")
    for name, definition in constraints:
        run(f"ALTER TABLE message ADD CONSTRAINT {name} {_with_practice(definition)}")
    for definition in indexes:
        run(_with_practice(definition) if definition.startswith("CREATE UNIQUE") else definition)
    # what names a message by its id alone, such as a worker that settles, must not read every partition
    run("CREATE INDEX ix_message_id ON message (id)")


def _constraints(connection: Connection) -> list[tuple[str, str]]:
    """Return the keys by name, those of other tables among them; the checks come over with the columns."""
    found = connection.exec_driver_sql(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint"
        " WHERE conrelid = 'message'::regclass AND contype IN ('p', 'u', 'f') ORDER BY contype DESC, conname"
    )
    return [(str(name), str(definition)) for name, definition in found]


def _indexes(connection: Connection, constraints: Sequence[str]) -> list[str]:
    found = connection.exec_driver_sql(
        "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = 'public' AND tablename = 'message' ORDER BY 1"
    )
    return [str(definition) for name, definition in found if name not in constraints]


def _pointing_here(connection: Connection) -> list[tuple[str, str]]:
    """Return the foreign keys that name a message by its id: a parted table can't promise that an id is there once."""
    found = connection.exec_driver_sql(
        "SELECT conrelid::regclass::text, conname FROM pg_constraint"
        " WHERE confrelid = 'message'::regclass AND contype = 'f' AND conrelid <> 'message'::regclass"
    )
    return [(str(table), str(name)) for table, name in found]


def _with_practice(definition: str) -> str:
    """Put the practice in front of the columns of a key that is unique; others stay as they are."""
    if definition.startswith("FOREIGN KEY"):
        return definition
    head, bracket, columns = definition.partition("(")
    return f"{head}{bracket}{'' if columns.startswith('practice_id,') else 'practice_id, '}{columns}"
