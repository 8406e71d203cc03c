"""Knows how many new messages go into the database by one statement."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, insert, literal_column
from sqlalchemy.orm import Session

from reminders.records.tables import MESSAGES
from reminders.records.wakeups import note_due

_Processor = Callable[[Any], Any]


def insert_messages(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Put messages into the database; none at all is fine. One that is there already takes all back.

    Each row has the same columns; those that may be null can be left out. ValueError when rows differ.
    """
    if not rows:
        return
    # SQLAlchemy would look at every value of every row anew, which takes as long as the database does.
    connection = session.connection()
    columns = tuple(rows[0])
    statement, order, processors = _prepared(connection.dialect, columns)
    if any(len(row) != len(columns) for row in rows):
        raise ValueError("the rows have different columns")
    by_column = list(zip(*map(itemgetter(*order), rows), strict=True))
    for at, process in processors:
        by_column[at] = _processed(by_column[at], process)
    values = list(zip(*by_column, strict=True))
    if connection.dialect.positional:
        connection.exec_driver_sql(statement, values)
    else:
        connection.exec_driver_sql(statement, [dict(zip(order, each, strict=True)) for each in values])
    _note_due(session, rows)


def _processed(column: tuple[Any, ...], process: _Processor) -> tuple[Any, ...]:
    # The rows of one day share many values; the column keeps them alive, so an id names one.
    names = [*map(id, column)]
    made = {name: process(value) for name, value in dict(zip(names, column, strict=True)).items()}
    return tuple(map(made.__getitem__, names))


def insert_messages_returning_ids(session: Session, rows: Sequence[Mapping[str, Any]]) -> tuple[int, ...]:
    """Put messages into the database and return their ids in the same order; slower than without."""
    if not rows:
        return ()
    returning = insert(MESSAGES).values(attempts=0).returning(MESSAGES.c.id, sort_by_parameter_order=True)
    ids = tuple(session.connection().execute(returning, [*rows]).scalars())
    _note_due(session, rows)
    return ids


def _note_due(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Note when the first of them is due; the workers hear of it when the transaction commits."""
    waiting = [row for row in rows if row["state"] == "scheduled"]
    if waiting:
        first = min(waiting, key=itemgetter("due_at"))
        note_due(session, first["practice_id"], first["due_at"])


@lru_cache(maxsize=8)
def _prepared(
    dialect: Dialect, columns: tuple[str, ...]
) -> tuple[str, Sequence[str], tuple[tuple[int, _Processor], ...]]:
    """Return the statement, the order of its values, and by place what turns one into the driver's."""
    zero: dict[str, Any] = {name: literal_column("0") for name in ("attempts", "segments") if name not in columns}
    compiled = insert(MESSAGES).values(zero).inline().compile(dialect=dialect, column_keys=columns)
    order = compiled.positiontup or columns
    found = [MESSAGES.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in order]
    return str(compiled), order, tuple((at, process) for at, process in enumerate(found) if process is not None)
