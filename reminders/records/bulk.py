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

_Columns = Mapping[str, Any]
_Processor = Callable[[Any], Any]


def insert_messages(session: Session, rows: Sequence[_Columns]) -> None:
    """Put messages into the database; none at all is fine. One that is there already takes all back.

    Each row has the same columns; those that may be null can be left out. ValueError when rows differ.
    """
    insert_owned_messages(session, [({}, rows)])


def insert_owned_messages(session: Session, owned: Sequence[tuple[_Columns, Sequence[_Columns]]]) -> None:
    """Put the messages of many owners into the database: columns that say whose they are, and the rest of each row.

    A rest that belongs to many owners, as patients of one day are told much the same, is prepared once.
    """
    rows = [(whose, rest) for whose, rests in owned for rest in rests]
    if not rows:
        return
    whose_columns, columns = tuple(rows[0][0]), tuple(rows[0][1])
    connection = session.connection()
    # SQLAlchemy would look at every value of every row anew, which takes as long as the database does.
    statement, order, processors = _prepared(connection.dialect, (*whose_columns, *columns))
    prepared = _prepared_once([rest for _whose, rest in rows], columns, processors)
    whose_values = {id(whose): tuple(whose[name] for name in whose_columns) for whose, _rests in owned}
    arranged = itemgetter(*map((*whose_columns, *columns).index, order))
    values = [arranged(whose_values[id(whose)] + prepared[id(rest)]) for whose, rest in rows]
    if connection.dialect.positional:
        connection.exec_driver_sql(statement, values)
    else:
        connection.exec_driver_sql(statement, [dict(zip(order, each, strict=True)) for each in values])
    _note_due(session, rows)


def _prepared_once(
    rows: Sequence[_Columns], columns: Sequence[str], processors: Mapping[str, _Processor]
) -> Mapping[int, tuple[Any, ...]]:
    """Return the driver's values of every row by its id; of rows that stand there several times, once."""
    distinct = {id(row): row for row in rows}
    if any(len(row) != len(columns) for row in distinct.values()):
        raise ValueError("the rows have different columns")
    by_column = list(zip(*map(itemgetter(*columns), distinct.values()), strict=True))
    for at, name in enumerate(columns):
        if name in processors:
            by_column[at] = _processed(by_column[at], processors[name])
    return dict(zip(distinct, zip(*by_column, strict=True), strict=True))


def _processed(column: tuple[Any, ...], process: _Processor) -> tuple[Any, ...]:
    # The rows of one day share many values; the column keeps them alive, so an id names one.
    names = [*map(id, column)]
    made = {name: process(value) for name, value in dict(zip(names, column, strict=True)).items()}
    return tuple(map(made.__getitem__, names))


def insert_messages_returning_ids(session: Session, rows: Sequence[_Columns]) -> tuple[int, ...]:
    """Put messages into the database and return their ids in the same order; slower than without."""
    if not rows:
        return ()
    returning = insert(MESSAGES).values(attempts=0).returning(MESSAGES.c.id, sort_by_parameter_order=True)
    ids = tuple(session.connection().execute(returning, [*rows]).scalars())
    _note_due(session, [({}, row) for row in rows])
    return ids


def _note_due(session: Session, rows: Sequence[tuple[_Columns, _Columns]]) -> None:
    """Note when the first of each practice's is due; the workers hear of it when the transaction commits."""
    first: dict[str, Any] = {}
    for whose, rest in rows:
        if rest["state"] == "scheduled":
            practice_id, due_at = whose.get("practice_id") or rest["practice_id"], rest["due_at"]
            if practice_id not in first or due_at < first[practice_id]:
                first[practice_id] = due_at
    for practice_id, due_at in first.items():
        note_due(session, practice_id, due_at)


@lru_cache(maxsize=8)
def _prepared(dialect: Dialect, columns: tuple[str, ...]) -> tuple[str, Sequence[str], Mapping[str, _Processor]]:
    """Return the statement, the order of its values, and by column what turns one into the driver's."""
    zero: dict[str, Any] = {name: literal_column("0") for name in ("attempts", "segments") if name not in columns}
    compiled = insert(MESSAGES).values(zero).inline().compile(dialect=dialect, column_keys=columns)
    order = compiled.positiontup or columns
    found = {name: MESSAGES.c[name].type.dialect_impl(dialect).bind_processor(dialect) for name in order}
    return str(compiled), order, {name: process for name, process in found.items() if process is not None}
