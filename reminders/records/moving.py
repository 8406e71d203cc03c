"""Knows how a database moves from SQLite to PostgreSQL: every row as it is, sealed values unopened, all or nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    LargeBinary,
    Result,
    Row,
    String,
    Table,
    bindparam,
    delete,
    func,
    insert,
    inspect,
    select,
    type_coerce,
)
from sqlalchemy.exc import DatabaseError
from sqlalchemy.types import TypeEngine
from sqlmodel import SQLModel

import reminders.records.sealing  # noqa: F401  it knows every table
from reminders.errors import ConfigError, InputError
from reminders.records.database import Database, shown
from reminders.records.engines import WRITES, build_engine, parse_url
from reminders.records.keyring import Keyring
from reminders.records.schema import migrate, newest_version, schema_version
from reminders.records.sealed_types import LookUp, SealingType
from reminders.sentences import english

Tell = Callable[[str, int, int], None]
"""Told the table, how many rows of it are done, and of how many."""

_AT_ONCE = 2_000
_SECONDS = 24 * 3600
_FIRST = "installation"
"""Made with the schema, with secrets of its own: it gives way to the row that moves."""


@dataclass(frozen=True, kw_only=True)
class MovedTable:
    """What was moved, and found there again."""

    name: str
    rows: int


def move(source: Database, target: str, keyring: Keyring, *, tell: Tell) -> tuple[MovedTable, ...]:
    """Copy everything into the empty PostgreSQL database at `target`, and compare row by row before it counts.

    Nobody can write to the source meanwhile. The same keys open both. InputError when the target is no such database,
    or holds rows; ConfigError when it can't be reached, or when a row is found there otherwise than it was.
    """
    parsed = parse_url(target)
    if source.engine.dialect.name != "sqlite" or parsed.get_backend_name() != "postgresql":
        raise InputError(english("a database moves from SQLite to PostgreSQL only"))
    found = schema_version(target)
    if found not in {None, newest_version()}:
        raise InputError(
            english("{database} has tables of another version of this program").format(database=shown(parsed))
        )
    migrate(target, keyring)
    engine = build_engine(parsed, statement_seconds=_SECONDS).execution_options(**{WRITES: True})
    try:
        with source.engine.execution_options(**{WRITES: True}).connect() as old, old.begin(), engine.begin() as new:
            _refuse_rows(new)
            new.execute(delete(SQLModel.metadata.tables[_FIRST]))
            return tuple(_moved(table, old, new, tell) for table in _tables(old))
    except DatabaseError as error:
        raise ConfigError(f"{shown(parsed)}: {str(error.orig).strip().splitlines()[0]}") from error
    finally:
        engine.dispose()


def _tables(connection: Connection) -> Sequence[Table]:
    """Return every table in an order in which each comes after those it refers to."""
    tables = SQLModel.metadata.sorted_tables
    there = set(inspect(connection).get_table_names()) - {"alembic_version"}
    if strange := there ^ {table.name for table in tables}:
        raise ConfigError(
            english("the database has other tables than this program: {known}").format(known=", ".join(sorted(strange)))
        )
    return tables


def _refuse_rows(connection: Connection) -> None:
    for table in SQLModel.metadata.sorted_tables:
        if table.name != _FIRST and connection.execute(select(1).select_from(table).limit(1)).first() is not None:
            raise InputError(
                english("the database to move to is not empty: there are rows in {name}").format(name=table.name)
            )


def _moved(table: Table, old: Connection, new: Connection, tell: Tell) -> MovedTable:
    total = int(old.execute(select(func.count()).select_from(table)).scalar_one())
    names = [column.name for column in table.columns]
    statement = insert(table).values({each.name: bindparam(each.name, type_=_kind(each)) for each in table.columns})
    done = 0
    with _rows(table, old) as found:
        for rows in found.partitions():
            new.execute(statement, [dict(zip(names, _plain(row), strict=True)) for row in rows])
            done += len(rows)
            tell(table.name, done, total)
    _go_on_counting(table, new)
    _compare(table, old, new)
    return MovedTable(name=table.name, rows=total)


def _compare(table: Table, old: Connection, new: Connection) -> None:
    """Raise ConfigError unless both hold the same rows."""
    with _rows(table, old) as before, _rows(table, new) as after:
        for number, (was, found) in enumerate(zip_longest(before, after), start=1):
            if was is None or found is None or _plain(was) != _plain(found):
                raise ConfigError(
                    english("row {number} of {name} did not arrive as it was; nothing was moved").format(
                        number=number, name=table.name
                    )
                )


def _rows(table: Table, connection: Connection) -> Result[Any]:
    """Return all rows in the order of their key, a part at a time; sealed values as octets."""
    columns = [type_coerce(each, _kind(each)).label(each.name) for each in table.columns]
    statement = select(*columns).order_by(*map(_by_octets, table.primary_key.columns))
    return connection.execute(statement.execution_options(yield_per=_AT_ONCE))


def _by_octets(column: Column[Any]) -> ColumnElement[Any]:
    """Order text as SQLite does, whatever the server's language."""
    return column.collate("C") if isinstance(column.type, String) else column


def _kind(column: Column[Any]) -> TypeEngine[Any]:
    return LargeBinary() if isinstance(column.type, SealingType | LookUp) else column.type


def _plain(row: Row[Any]) -> tuple[Any, ...]:
    return tuple(bytes(value) if isinstance(value, memoryview) else value for value in row)


def _go_on_counting(table: Table, connection: Connection) -> None:
    """Let the numbers that the database gives go on after the highest."""
    for column in table.primary_key.columns:
        sequence = connection.execute(select(func.pg_get_serial_sequence(table.name, column.name))).scalar()
        if sequence is not None:
            highest = connection.execute(select(func.max(column))).scalar()
            connection.execute(select(func.setval(sequence, highest or 1, highest is not None)))
