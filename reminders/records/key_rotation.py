"""Knows which keys a database is sealed with, and brings all of it under a newer one while it is in use."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reminders.errors import ConfigError
from reminders.records.database import Database
from reminders.records.engines import build_engine, parse_url
from reminders.records.key_sources import KeyFile, KeySource
from reminders.records.keyring import Key
from reminders.records.migrations import NEWEST_VERSION
from reminders.records.schema import schema_version
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import NOT_SEALED, Tell, is_all_sealed_by, seal_anew, uses
from reminders.sentences import english


class KeyState(StrEnum):
    """What a key is to a database."""

    CURRENT = "current"
    """Seals whatever is written."""
    OLDER = "older"
    """Opens what it sealed, which `reminders keys rotate` seals anew."""
    UNUSED = "unused"
    """Nothing in the database needs it; a backup may."""
    MISSING = "missing"
    """Nobody can read what it sealed."""
    NONE = "not sealed"
    """No key: somebody could read this."""


@dataclass(frozen=True, kw_only=True)
class KeyUse:
    """A key and how much of a database it seals."""

    id: str
    """Empty for what nothing seals."""
    state: KeyState
    values: int


@dataclass(frozen=True, kw_only=True)
class Rotated:
    """What a rotation did."""

    key: str
    """The id of the key that all is sealed with now."""
    made: bool
    """Whether it was made for this."""
    rows: int
    older: tuple[str, ...]
    """The ids of the other keys there are; backups may need them."""


def keys_of(url: str, source: KeySource, *, tell: Tell) -> tuple[KeyUse, ...]:
    """Return the keys there are and those that are missing, with what each seals; reads the whole database.

    ConfigError when it is missing, or of a schema that did not seal yet.
    """
    keys = source.read()
    if schema_version(url) != NEWEST_VERSION:
        raise ConfigError(english("the database is missing or older than this program; run `reminders init` first"))
    engine = build_engine(parse_url(url), statement_seconds=3600)
    try:
        found = uses(engine, tell=tell)
    finally:
        engine.dispose()
    there = {key.id for key in keys}
    known = [KeyUse(id=key.id, state=_state(key, keys[0], found), values=found.get(key.id, 0)) for key in keys]
    lost = [
        KeyUse(id=name, state=KeyState.MISSING, values=count)
        for name, count in found.items()
        if name not in there and name != NOT_SEALED
    ]
    bare = [KeyUse(id="", state=KeyState.NONE, values=found[NOT_SEALED])] if NOT_SEALED in found else []
    return (*known, *lost, *bare)


def rotate(database: Database, source: KeySource, *, tell: Tell) -> Rotated:
    """Seal all under a new key, in small steps, while others work; one that was broken off goes on where it stopped.

    The new key is made when the newest one seals everything already. Programs that run take it over by themselves
    when the keys are in a file. ConfigError when they are not, and no newer one was put before the others.
    """
    keyring = database.keyring
    keyring.keep_up()
    made = is_all_sealed_by(database.engine, keyring.current)
    if made:
        if not isinstance(source, KeyFile):
            raise ConfigError(
                english(
                    "all is sealed with the first key of {place}; put a new one before it (`reminders keys new "
                    "--show` prints one), start the programs again that run, and say this again"
                ).format(place=source.place)
            )
        source.put_first(Key.new())
        keyring.keep_up()
    rows = seal_anew(database.engine, seals_of(database.engine.dialect), tell=tell)
    older = tuple(key.id for key in keyring.keys[1:])
    return Rotated(key=keyring.current.id, made=made, rows=rows, older=older)


def _state(key: Key, current: Key, found: dict[str, int]) -> KeyState:
    if key.id == current.id:
        return KeyState.CURRENT
    return KeyState.OLDER if key.id in found else KeyState.UNUSED
