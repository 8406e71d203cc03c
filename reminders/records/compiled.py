"""A statement that is compiled once for a driver: for what happens to every single message, and with every reply.

SQLAlchemy would look at each of its values anew each time, which takes as long as the database does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any, NamedTuple

from sqlalchemy import Connection, Dialect, Insert, Select, Update

_Process = Callable[[Any], Any]


class _ForDriver(NamedTuple):
    """The statement as a driver takes it."""

    sql: str
    names: tuple[str, ...]
    """Of the values, in the order in which the driver wants them."""
    processors: Mapping[str, _Process]
    """What turns a value into the driver's."""
    always: Mapping[str, Any]
    """Values that SQLAlchemy adds by itself, such as that no row is left out."""
    opening: Sequence[tuple[int, _Process]]
    """What turns a value that was read into ours, by its place in the row."""


class Compiled:
    """One statement whose only values are its bound parameters, two at least and none of them a list."""

    def __init__(self, statement: Insert | Select[Any] | Update) -> None:
        """Take a statement; every value that is always the same stands in it word for word."""
        self._statement = statement
        self._for_driver = lru_cache(maxsize=4)(self._compile)

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> int:
        """Run it for each of at least one row of values; return how many rows of the database it changed."""
        for_driver = self._for_driver(connection.dialect)
        return connection.exec_driver_sql(for_driver.sql, _values(connection, for_driver, rows)).rowcount

    def fetch(self, connection: Connection, values: Mapping[str, Any]) -> list[tuple[Any, ...]]:
        """Run it once and return the rows that it gives; what an insert gives back must need no opening."""
        for_driver = self._for_driver(connection.dialect)
        (given,) = _values(connection, for_driver, [values])
        rows = [tuple(row) for row in connection.exec_driver_sql(for_driver.sql, given)]
        for at, opened in for_driver.opening:
            rows = [(*row[:at], opened(row[at]), *row[at + 1 :]) for row in rows]
        return rows

    def _compile(self, dialect: Dialect) -> _ForDriver:
        compiled = self._statement.compile(dialect=dialect)
        names = tuple(compiled.positiontup or compiled.binds)
        found = {name: compiled.binds[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names}
        columns = self._statement.selected_columns if isinstance(self._statement, Select) else ()
        opening = [each.type.dialect_impl(dialect).result_processor(dialect, None) for each in columns]
        return _ForDriver(
            str(compiled),
            names,
            {name: make for name, make in found.items() if make is not None},
            {name: compiled.binds[name].value for name in names if not compiled.binds[name].required},
            [(at, opened) for at, opened in enumerate(opening) if opened is not None],
        )


def _values(connection: Connection, for_driver: _ForDriver, rows: Sequence[Mapping[str, Any]]) -> list[Any]:
    if for_driver.always:
        rows = [{**for_driver.always, **row} for row in rows]
    if for_driver.processors:
        rows = [{**row, **{name: make(row[name]) for name, make in for_driver.processors.items()}} for row in rows]
    return [*map(itemgetter(*for_driver.names), rows)] if connection.dialect.positional else [*rows]
