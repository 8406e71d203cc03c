"""Knows how many new messages go into the database by one statement."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter
from typing import Any

from sqlalchemy import Dialect, insert, literal_column
from sqlalchemy.orm import Session

from reminders.records.sealed_types import SealingType, seals_of
from reminders.records.tables import MESSAGES
from reminders.records.wakeups import note_due

_Columns = Mapping[str, Any]
_Processor = Callable[[Any], Any]
_HASH_OF = {"address_key": "address"}
"""Columns that no row brings, with the one that they are made of."""


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
    whose_columns, rest_columns = _with_hashes(rows[0][0]), _with_hashes(rows[0][1])
    columns = whose_columns + rest_columns
    connection = session.connection()
    # SQLAlchemy would look at every value of every row anew, which takes as long as the database does.
    plan = _plan(connection.dialect, columns)
    of_whose = _prepared((whose for whose, _rests in owned), whose_columns, plan.processors)
    of_rest = _prepared((rest for _whose, rest in rows), rest_columns, plan.processors)
    values = [of_whose[id(whose)] + of_rest[id(rest)] for whose, rest in rows]
    # Each row's words are sealed for themselves, or one would see who was told the same.
    keyring = seals_of(connection.dialect).keyring
    sealed = [keyring.seal_all(context, [row[at] for row in values]) for at, context in plan.sealed]
    arranged = itemgetter(*plan.arrangement)
    arranged_values = [arranged(row + own) for row, own in zip(values, zip(*sealed, strict=True), strict=True)]
    if connection.dialect.positional:
        connection.exec_driver_sql(plan.statement, arranged_values)
    else:
        named = [dict(zip(plan.order, each, strict=True)) for each in arranged_values]
        connection.exec_driver_sql(plan.statement, named)
    _note_due(session, rows)


def _with_hashes(row: _Columns) -> tuple[str, ...]:
    return (*row, *(name for name, of in _HASH_OF.items() if of in row))


def _prepared(
    rows: Iterable[_Columns], columns: Sequence[str], processors: Mapping[str, _Processor]
) -> Mapping[int, tuple[Any, ...]]:
    """Return the driver's values of every row by its id; of rows that stand there several times, once."""
    distinct = {id(row): row for row in rows}
    if len({*map(len, distinct.values())}) > 1:
        raise ValueError("the rows have different columns")
    by_column: list[Sequence[Any]] = []
    for name in columns:
        column = [*map(itemgetter(_HASH_OF.get(name, name)), distinct.values())]
        by_column.append(_processed(column, processors[name]) if name in processors else column)
    return dict(zip(distinct, zip(*by_column, strict=True) if columns else ((),) * len(distinct), strict=True))


def _processed(column: Sequence[Any], process: _Processor) -> Sequence[Any]:
    # The rows of one day share many values; the column keeps them alive, so an id names one.
    names = [*map(id, column)]
    made = {name: process(value) for name, value in dict(zip(names, column, strict=True)).items()}
    return [*map(made.__getitem__, names)]


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


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """How rows with certain columns go into the database."""

    statement: str
    order: Sequence[str]
    """Of the statement's values."""
    arrangement: Sequence[int]
    """The same by place in a row, with the sealed values after it."""
    processors: Mapping[str, _Processor]
    """By column, what turns a value into the driver's; of one that is sealed row by row, into octets."""
    sealed: Sequence[tuple[int, bytes]]
    """The place and the context of each column that is sealed row by row."""


@lru_cache(maxsize=8)
def _plan(dialect: Dialect, columns: tuple[str, ...]) -> _Plan:
    zero: dict[str, Any] = {name: literal_column("0") for name in ("attempts", "segments") if name not in columns}
    compiled = insert(MESSAGES).values(zero).inline().compile(dialect=dialect, column_keys=columns)
    order = compiled.positiontup or columns
    kinds = {name: MESSAGES.c[name].type for name in columns}
    # The messages of one patient go to one address, and its hash says so anyway: it is sealed once.
    sealing = {
        name: kind for name, kind in kinds.items() if isinstance(kind, SealingType) and name not in _HASH_OF.values()
    }
    places = {name: at for at, name in enumerate(columns)} | {
        name: len(columns) + at for at, name in enumerate(sealing)
    }
    processors = {
        name: _octets_by(sealing[name]) if name in sealing else kind.dialect_impl(dialect).bind_processor(dialect)
        for name, kind in kinds.items()
    }
    return _Plan(
        statement=str(compiled),
        order=order,
        arrangement=[places[name] for name in order],
        processors={name: process for name, process in processors.items() if process is not None},
        sealed=[(columns.index(name), kind.context) for name, kind in sealing.items()],
    )


def _octets_by(kind: SealingType) -> _Processor:
    return lambda value: None if value is None else kind.encoded(value)
