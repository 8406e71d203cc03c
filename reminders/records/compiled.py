"""A statement that is compiled once for a driver: for what happens to every single message.

SQLAlchemy would look at each of its values anew each time, which takes as long as the database does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any, NamedTuple

from sqlalchemy import Connection, Dialect, Update


class _ForDriver(NamedTuple):
    """The statement as a driver takes it."""

    sql: str
    names: tuple[str, ...]
    """Of the values, in the order in which the driver wants them."""
    processors: Mapping[str, Callable[[Any], Any]]
    """What turns a value into the driver's."""


class Compiled:
    """One statement whose only values are its bound parameters."""

    def __init__(self, statement: Update) -> None:
        """Take a statement; every value that is always the same stands in it word for word."""
        self._statement = statement
        self._for_driver = lru_cache(maxsize=4)(self._compile)

    def run(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> int:
        """Run it for each of at least one row of values; return how many rows of the database it changed."""
        sql, names, processors = self._for_driver(connection.dialect)
        if processors:
            rows = [{**row, **{name: make(row[name]) for name, make in processors.items()}} for row in rows]
        if connection.dialect.positional:
            return connection.exec_driver_sql(sql, [*map(itemgetter(*names), rows)]).rowcount
        return connection.exec_driver_sql(sql, [*rows]).rowcount

    def _compile(self, dialect: Dialect) -> _ForDriver:
        compiled = self._statement.compile(dialect=dialect)
        names = tuple(compiled.positiontup or compiled.binds)
        found = {name: compiled.binds[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names}
        return _ForDriver(str(compiled), names, {name: make for name, make in found.items() if make is not None})
