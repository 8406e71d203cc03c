"""The kinds of columns that tables share: instants, numbers of rows, what is sealed and what it is found by."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import BigInteger, Column, Dialect, ForeignKey, Integer
from sqlalchemy.dialects.postgresql import TIMESTAMP
from sqlalchemy.types import TypeDecorator, TypeEngine
from sqlmodel import Field, SQLModel

from reminders.records.sealed_types import LookUp, Sealed

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# A migration can only change a constraint that has a name; PostgreSQL would invent them and SQLite has none.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}
BigId = BigInteger().with_variant(Integer, "sqlite")
LARGEST_NUMBER = 2**63 - 1
"""Of any row: what such a column holds."""


class Instant(TypeDecorator[datetime]):
    """An instant: microseconds since 1970 on SQLite, `timestamptz` on PostgreSQL. Naive values are refused."""

    impl = BigInteger
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column type of the database at hand."""
        if dialect.name == "postgresql":
            return dialect.type_descriptor(TIMESTAMP(timezone=True))
        return dialect.type_descriptor(BigInteger())

    # The processors themselves, as rows have half a dozen instants: a call within a call takes as long as the rest.

    def bind_processor(self, dialect: Dialect) -> Callable[[datetime | None], Any]:
        """Return what turns an aware datetime into what the column holds."""
        return _aware if dialect.name == "postgresql" else _microseconds

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], datetime | None]:  # noqa: ARG002  the signature is SQLAlchemy's
        """Return what turns what the column holds into an aware datetime in UTC."""
        return _in_utc if dialect.name == "postgresql" else _of_microseconds


def _aware(value: datetime | None) -> datetime | None:
    if value is not None and value.tzinfo is None:
        raise ValueError("an instant needs a time zone")
    return value


def _microseconds(value: datetime | None) -> int | None:
    if (aware := _aware(value)) is None:
        return None
    elapsed = aware - _EPOCH
    return (elapsed.days * 86_400 + elapsed.seconds) * 1_000_000 + elapsed.microseconds


def _in_utc(value: datetime | None) -> datetime | None:
    return None if value is None else value.astimezone(UTC)


def _of_microseconds(value: int | None) -> datetime | None:
    return None if value is None else _EPOCH + timedelta(0, 0, value)


def instant(*, index: bool = False, nullable: bool = False) -> Any:
    """Return a field for an instant."""
    return Field(sa_column=Column(Instant, nullable=nullable, index=index), default=None if nullable else ...)


def id_of(target: str, *, nullable: bool = False, index: bool = False) -> Any:
    """Return a field for the number of a row of another table, `table.column`."""
    column = Column(BigId, ForeignKey(target), nullable=nullable, index=index)
    return Field(sa_column=column, default=None if nullable else ...)


def sealed(place: str, *, nullable: bool = False) -> Any:
    """Return a field for text that is sealed; `place` is `table.column`, see `SealingType`."""
    return Field(sa_column=Column(Sealed(place), nullable=nullable), default=None if nullable else ...)


def look_up(of: str) -> Any:
    """Give a row the hash by which the address beside it is found; it fills itself."""
    kind = LookUp(of)
    return Field(sa_column=Column(kind, default=kind.filled, nullable=True), default=None)
