"""Knows what of a database is sealed, gives an engine its seals, and seals everything anew under the newest key."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, Table, and_, func, inspect, literal_column, or_, select, text, tuple_, update
from sqlalchemy.sql.elements import ColumnElement
from sqlmodel import SQLModel

import reminders.records.tables
import reminders.records.tables_api
import reminders.records.tables_audit
import reminders.records.tables_concerns
import reminders.records.tables_delivery
import reminders.records.tables_settings
import reminders.records.tables_staff
import reminders.records.tables_waiting  # noqa: F401  all of them fill the metadata
from reminders.errors import ConfigError, StateError
from reminders.records.engines import WRITES
from reminders.records.keyring import HEADER_BYTES, SECRET_BYTES, Key, Keyring, key_of
from reminders.records.sealed_types import LookUp, SealingType, Seals, give_seals, octets_of
from reminders.sentences import english

_INSTALLATION = SQLModel.metadata.tables["installation"]
_SECRET_CONTEXT = b"installation.look_up_secret"
_AT_ONCE = 200
_MOST_PASSES = 50
_PAUSE_SECONDS = 0.2
NOT_SEALED = "not sealed"
"""Stands among the ids of keys for values that nothing seals."""

Tell = Callable[[int, int], None]
"""Is given how many rows are done, and of how many."""


@dataclass(frozen=True)
class SealedTable:
    """A table with columns that are sealed."""

    table: Table
    sealed: tuple[str, ...]
    """Their names."""
    hashes: tuple[tuple[str, str], ...]
    """Columns that hold a hash, each with the column that it is made of."""

    @property
    def keys(self) -> tuple[str, ...]:
        """Return the names of the columns that name a row."""
        return tuple(column.name for column in self.table.primary_key)

    def context(self, name: str) -> bytes:
        """Return what the values of a column are bound to."""
        kind = self.table.c[name].type
        if not isinstance(kind, SealingType):
            raise TypeError(f"{self.table.name}.{name} is not sealed")
        return kind.context


def sealed_tables() -> tuple[SealedTable, ...]:
    """Return every table with sealed columns."""
    found = []
    for table in SQLModel.metadata.sorted_tables:
        sealed = tuple(each.name for each in table.columns if isinstance(each.type, SealingType))
        hashes = tuple((each.name, each.type.of) for each in table.columns if isinstance(each.type, LookUp))
        if sealed:
            found.append(SealedTable(table, sealed, hashes))
    return tuple(found)


def attach(engine: Engine, keyring: Keyring) -> None:
    """Let an engine seal and open; ConfigError when the keys don't fit, or something is not sealed yet."""
    with engine.begin() as connection:
        row = connection.execute(
            select(_raw("look_up_secret"), _INSTALLATION.c.is_sealed).select_from(_INSTALLATION)
        ).first()
    if row is None or row.look_up_secret is None or not row.is_sealed:
        raise ConfigError(
            english("the database holds data that is not sealed yet; back it up and run `reminders init`")
        )
    secret = keyring.open(_SECRET_CONTEXT, octets_of(row.look_up_secret))
    give_seals(engine.dialect, Seals.of(keyring, secret))


def found_key(connection: Connection) -> str | None:
    """Return the id of the key without which the database can't be opened; None when it has none yet."""
    if "look_up_secret" not in {each["name"] for each in inspect(connection).get_columns("installation")}:
        return None  # an older program made it
    secret = connection.execute(select(_raw("look_up_secret")).select_from(_INSTALLATION)).scalar()
    return None if secret is None else key_of(octets_of(secret))


def give_first_seals(connection: Connection, keyring: Keyring) -> bytes:
    """Let a connection's engine seal, with the secret that the database has or a new one; return it."""
    found = connection.execute(select(_raw("look_up_secret")).select_from(_INSTALLATION)).scalar()
    secret = os.urandom(SECRET_BYTES) if found is None else keyring.open(_SECRET_CONTEXT, octets_of(found))
    give_seals(connection.dialect, Seals.of(keyring, secret))
    return secret


def seal_what_is_not(engine: Engine, seals: Seals, *, tell: Tell) -> None:
    """Seal whatever an older program left readable, and leave no trace of it in the file; goes on where it stopped.

    ConfigError when another program has the database open, so that traces would stay.
    """
    with engine.connect() as connection:
        if connection.execute(select(_INSTALLATION.c.is_sealed)).scalar_one():
            return
        had_rows = any(_count(connection, each.table) for each in sealed_tables() if each.table is not _INSTALLATION)
    if had_rows:
        seal_anew(engine, seals, tell=tell, gently=False)
        _leave_no_trace(engine)
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        connection.execute(update(_INSTALLATION).values(is_sealed=True))


def seal_anew(engine: Engine, seals: Seals, *, tell: Tell, gently: bool = True) -> int:
    """Seal under the newest key all that is not; return how many rows that were.

    In small transactions, while others work; whoever breaks it off starts it again, and it goes on with what is left.
    """
    done, writer = 0, engine.execution_options(**{WRITES: True})
    left = total = _left(engine, seals)
    tell(0, total)
    for _ in range(_MOST_PASSES):
        before = done
        for each in sealed_tables():
            for count in _pass_over(writer, each, seals, gently=gently):
                done += count
                tell(done, max(done, total))
        # what others held, or were writing with the key that was the newest when they began, comes with the next pass
        if not (left := _left(engine, seals)):
            return done
        if done == before:
            time.sleep(_PAUSE_SECONDS)
    raise StateError(
        english("{count} rows are in use by others and still under an older key; run it again in a moment").format(
            count=left
        )
    )


def is_all_sealed_by(engine: Engine, key: Key) -> bool:
    """Say whether this key seals everything; looks no further than the first value that it does not."""
    with engine.connect() as connection:
        return not any(
            connection.execute(select(1).select_from(each.table).where(_needs(each, key)).limit(1)).first()
            for each in sealed_tables()
        )


def uses(engine: Engine, *, tell: Tell = lambda _done, _total: None) -> dict[str, int]:
    """Return how many values each key sealed, by its id; `not sealed` for those that nothing sealed. Reads it all."""
    found: dict[str, int] = {}
    tables = sealed_tables()
    with engine.connect() as connection:
        for number, each in enumerate(tables):
            tell(number, len(tables))
            for name in each.sealed:
                column: ColumnElement[Any] = literal_column(f'"{name}"')
                header = func.substr(column, 1, HEADER_BYTES)
                rows = connection.execute(
                    select(header, func.count()).select_from(each.table).where(column.is_not(None)).group_by(header)
                )
                for begins, count in rows:
                    key = key_of(octets_of(begins)) or NOT_SEALED
                    found[key] = found.get(key, 0) + count
    return found


def _pass_over(writer: Engine, each: SealedTable, seals: Seals, *, gently: bool) -> Iterator[int]:
    """Go over a table once, in the order of its keys; what others hold is passed over."""
    after: tuple[Any, ...] | None = None
    while True:
        began = time.monotonic()
        with writer.begin() as connection:
            rows = connection.execute(_next_rows(each, seals, after)).mappings().all()
            if not rows:
                return
            _rewrite(connection, each, seals, rows)
        after = tuple(rows[-1][f"key_{name}"] for name in each.keys)
        yield len(rows)
        if gently:
            time.sleep(min(time.monotonic() - began, 1))  # as long as it kept other writers out


def _next_rows(each: SealedTable, seals: Seals, after: tuple[Any, ...] | None) -> Any:
    keys = [each.table.c[name] for name in each.keys]
    statement = (
        select(
            *(each.table.c[name].label(f"key_{name}") for name in each.keys),
            *(_raw(name) for name in each.sealed),
            *(_raw(name) for name, _ in each.hashes),
        )
        .select_from(each.table)
        .where(_needs(each, seals.keyring.current))
        .order_by(*keys)
        .limit(_AT_ONCE)
        .with_for_update(skip_locked=True)
    )
    return statement if after is None else statement.where(tuple_(*keys) > after)


def _rewrite(connection: Connection, each: SealedTable, seals: Seals, rows: Sequence[Any]) -> None:
    changed: list[dict[str, Any]] = [{f"key_{name}": row[f"key_{name}"] for name in each.keys} for row in rows]
    plain = {name: [_opened(each, name, row[name], seals.keyring) for row in rows] for name in each.sealed}
    for name, values in plain.items():
        for target, sealed in zip(changed, seals.keyring.seal_all(each.context(name), values), strict=True):
            target[f"new_{name}"] = sealed
    for name, of in each.hashes:
        for target, value in zip(changed, plain[of], strict=True):
            target[f"new_{name}"] = None if value is None else seals.hash(value.decode())
    names = (*each.sealed, *(name for name, _ in each.hashes))
    sets = ", ".join(f'"{name}" = :new_{name}' for name in names)
    which = " AND ".join(f'"{name}" = :key_{name}' for name in each.keys)
    connection.execute(text(f'UPDATE "{each.table.name}" SET {sets} WHERE {which}'), changed)  # noqa: S608  our own names


def _opened(each: SealedTable, name: str, value: Any, keyring: Keyring) -> bytes | None:
    if value is None:
        return None
    octets = octets_of(value)
    return octets if key_of(octets) is None else keyring.open(each.context(name), octets)


def _needs(each: SealedTable, key: Key) -> ColumnElement[bool]:
    """Return the condition on rows of which something is not sealed by the newest key, or is not hashed."""
    header = key.header
    others = [and_(_raw(name).is_not(None), func.substr(_raw(name), 1, HEADER_BYTES) != header) for name in each.sealed]
    unhashed = [and_(_raw(name).is_(None), _raw(of).is_not(None)) for name, of in each.hashes]
    return or_(*others, *unhashed)


def _left(engine: Engine, seals: Seals) -> int:
    """Return of how many rows something is not sealed by the newest key."""
    counts = (
        select(func.count()).select_from(each.table).where(_needs(each, seals.keyring.current))
        for each in sealed_tables()
    )
    with engine.connect() as connection:
        return sum(connection.execute(each).scalar_one() for each in counts)


def _count(connection: Connection, table: Table) -> int:
    return connection.execute(select(func.count()).select_from(table)).scalar_one()


def _raw(name: str) -> ColumnElement[Any]:
    """Return a column as it is kept, without opening it."""
    return literal_column(f'"{name}"').label(name)


def _leave_no_trace(engine: Engine) -> None:
    """Write the database anew without the pages and rows that were given up."""
    if engine.dialect.name == "postgresql":
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT", **{WRITES: True}) as connection:
            for each in sealed_tables():
                connection.exec_driver_sql(f'VACUUM FULL "{each.table.name}"')
        return
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        cursor.execute("VACUUM")
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        ((is_busy, _pages, _moved),) = cursor.fetchall()
        cursor.close()
    finally:
        raw.close()
    if is_busy:
        raise ConfigError(english("another program has the database open; stop it and run `reminders init` again"))
