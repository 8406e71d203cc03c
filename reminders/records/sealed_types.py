"""The column types that seal what is written and open what is read, and those that hash it to be found again.

Whoever opens a database gives its engine the seals (`give_seals`); queries then read and write plain values. What is
sealed can't be compared in a query: another value is made each time. What must be found by its whole value has a
`LookUp` column beside it.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Callable
from dataclasses import dataclass
from operator import eq, ne
from typing import Any, ClassVar
from weakref import WeakKeyDictionary

from sqlalchemy import JSON, ColumnElement, Dialect, LargeBinary, String
from sqlalchemy.engine.default import DefaultExecutionContext
from sqlalchemy.orm import Session
from sqlalchemy.types import TypeDecorator, TypeEngine

from reminders.errors import ConfigError
from reminders.records.keyring import Keyring, derived
from reminders.sentences import english

HASH_BYTES = 16
"""Of 32; so many still tell any two values apart."""


@dataclass(frozen=True, kw_only=True)
class Seals:
    """What one database is sealed with."""

    keyring: Keyring
    look_up_key: bytes
    """Of the hashes; it stays the same when the keys that seal change, so that what was hashed is still found."""

    @classmethod
    def of(cls, keyring: Keyring, look_up_secret: bytes) -> Seals:
        """Return the seals of a database that keeps this secret, itself sealed."""
        return cls(keyring=keyring, look_up_key=derived(look_up_secret, b"reminders look-up of addresses"))

    def hash(self, value: str) -> bytes:
        """Return by what an address is found: the same for the same one, and nothing without the key (HMAC-SHA256)."""
        return hmac.digest(self.look_up_key, value.encode(), "sha256")[:HASH_BYTES]

    def is_hash(self, hashed: bytes | None, value: str) -> bool:
        """Say whether a hash is that of a value."""
        return hashed is not None and hmac.compare_digest(bytes(hashed), self.hash(value))


_SEALS: WeakKeyDictionary[Dialect, Seals] = WeakKeyDictionary()


def give_seals(dialect: Dialect, seals: Seals) -> None:
    """Let an engine, which has a dialect of its own, seal and open with these."""
    _SEALS[dialect] = seals


def seals_of(dialect: Dialect) -> Seals:
    """Return the seals of an engine; ConfigError when it was opened without."""
    try:
        return _SEALS[dialect]
    except KeyError:
        raise ConfigError(english("the database was opened without its keys")) from None


def seals_in(session: Session) -> Seals:
    """Return the seals of the database that a session works on."""
    return seals_of(session.connection().dialect)


_REFUSED = "what is sealed can't be compared in a query; use its look-up column, or compare it here"


class _Comparison(TypeDecorator.Comparator[Any]):
    """Refuses to compare two sealed columns: the same value is sealed otherwise in each."""

    def operate(self, op: Any, *other: Any, **extra: Any) -> ColumnElement[Any]:
        compares = op in {eq, ne} and isinstance(getattr(other[0], "type", None), SealingType)
        if compares and str(other[0]) != str(self.expr):  # SQLAlchemy itself asks whether two are the same column
            raise TypeError(_REFUSED)
        return super().operate(op, *other, **extra)


class _Uncomparable(TypeDecorator[Any]):
    """What stands beside a sealed column in a comparison: sealed once more it would never be the same, so it fails."""

    impl = LargeBinary
    cache_ok = True

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], Any]:  # noqa: ARG002  the signature is SQLAlchemy's
        """Return what refuses every value."""

        def refuse(_value: Any) -> Any:
            raise TypeError(_REFUSED)

        return refuse


class SealingType(TypeDecorator[Any]):
    """What the types that seal share. `impl` is what the column held before it was sealed.

    SQLite keeps in any column what it is given, so there the declared type stays and no table is written anew.
    """

    impl = LargeBinary
    cache_ok = True
    comparator_factory = _Comparison
    on_sqlite: ClassVar[type[TypeEngine[Any]]] = String

    def __init__(self, place: str) -> None:
        """Seal for a place, `table.column`: what was sealed for another one is not accepted there.

        A column that gets another name keeps its place, or nothing in it opens any more.
        """
        super().__init__()
        self.place = place

    def coerce_compared_value(self, op: Any, value: Any) -> TypeEngine[Any]:  # noqa: ARG002  the signature is SQLAlchemy's
        """Return the type of a value that is compared with the column."""
        return _Uncomparable()

    @property
    def context(self) -> bytes:
        """What a sealed value is bound to."""
        return self.place.encode()

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column type of the database at hand."""
        return dialect.type_descriptor(self.on_sqlite() if dialect.name == "sqlite" else LargeBinary())

    def encoded(self, value: Any) -> bytes:
        """Return a value as octets."""
        raise NotImplementedError

    def decoded(self, octets: bytes) -> Any:
        """Return the value of octets."""
        raise NotImplementedError

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], bytes | None]:
        """Return what seals a value that is written."""
        context, encoded = self.context, self.encoded

        def seal(value: Any) -> bytes | None:
            return None if value is None else seals_of(dialect).keyring.seal(context, encoded(value))

        return seal

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:  # noqa: ARG002  the signature is SQLAlchemy's
        """Return what opens a value that was read."""
        context, decoded = self.context, self.decoded

        def opened(value: Any) -> Any:
            return None if value is None else decoded(seals_of(dialect).keyring.open(context, octets_of(value)))

        return opened


class Sealed(SealingType):
    """Sealed text."""

    cache_ok = True

    def encoded(self, value: str) -> bytes:
        """Return it in UTF-8."""
        return value.encode()

    def decoded(self, octets: bytes) -> str:
        """Return text."""
        return octets.decode()


_compact = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode


class SealedJson(SealingType):
    """Sealed lists and dictionaries."""

    cache_ok = True
    on_sqlite = JSON

    def encoded(self, value: Any) -> bytes:
        """Return it as JSON."""
        return _compact(value).encode()

    def decoded(self, octets: bytes) -> Any:
        """Return what the JSON holds."""
        return json.loads(octets)


class SealedBytes(SealingType):
    """Sealed octets."""

    cache_ok = True
    on_sqlite = LargeBinary

    def encoded(self, value: bytes) -> bytes:
        """Return it as it is."""
        return value

    def decoded(self, octets: bytes) -> bytes:
        """Return it as it is."""
        return octets


class LookUp(TypeDecorator[Any]):
    """The keyed hash of the address in another column of the row, by which it is found; compared with the address."""

    impl = LargeBinary
    cache_ok = True

    def __init__(self, of: str) -> None:
        """Hash what stands in the column `of`."""
        super().__init__()
        self.of = of

    def bind_processor(self, dialect: Dialect) -> Callable[[str | None], bytes | None]:
        """Return what hashes an address."""

        def hashed(value: str | None) -> bytes | None:
            return None if value is None else seals_of(dialect).hash(value)

        return hashed

    def result_processor(self, dialect: Dialect, coltype: object) -> None:
        """Return nothing: the hash is read as it is."""

    def filled(self, context: DefaultExecutionContext) -> str | None:
        """Return what a new row's column is filled with when nobody says: the address beside it."""
        address: str | None = context.get_current_parameters()[self.of]  # type: ignore[no-untyped-call]
        return address


def octets_of(value: str | bytes | memoryview) -> bytes:
    """Return what a driver gave as octets; text is what SQLite kept before it was sealed."""
    return value.encode() if isinstance(value, str) else bytes(value)
