"""Knows how to bring a database to the newest schema, and which one it has."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Table, insert, select, update
from sqlalchemy.exc import DatabaseError

from reminders.errors import ConfigError
from reminders.records.database import found_version, shown
from reminders.records.engines import WRITES, build_engine, parse_url
from reminders.records.keyring import Keyring
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import Tell, found_key, give_first_seals, seal_what_is_not
from reminders.records.tables import Installation
from reminders.sentences import english

_MIGRATION_SECONDS = 3600


def migrate(url: str, keyring: Keyring, *, tell: Tell = lambda _done, _total: None) -> str:
    """Create the database or bring it to the newest schema, all or nothing; return the schema's version.

    Then seal what an older program left readable, as `tell` is told; whoever breaks that off starts it again. A SQLite
    file is made readable by its owner only. ConfigError when the database can't be reached, or the keys don't fit.
    """
    parsed = parse_url(url)
    if parsed.get_backend_name() == "sqlite":
        _create_file(Path(str(parsed.database)))
    engine = build_engine(parsed, statement_seconds=_MIGRATION_SECONDS).execution_options(**{WRITES: True})
    try:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            _name_installation(connection, keyring)
        seal_what_is_not(engine, seals_of(engine.dialect), tell=tell)
        version = found_version(engine)
    except DatabaseError as error:
        raise ConfigError(
            english("{database} can't be opened: {why}").format(database=shown(parsed), why=str(error.orig).strip())
        ) from error
    finally:
        engine.dispose()
    return str(version)


def schema_version(url: str) -> str | None:
    """Return the version of the schema that the database has; None when it does not exist or is empty."""
    parsed = parse_url(url)
    if _is_missing_file(parsed):
        return None
    engine = build_engine(parsed)
    try:
        return found_version(engine)
    except DatabaseError as error:
        raise ConfigError(
            english("{database} can't be opened: {why}").format(database=shown(parsed), why=str(error.orig).strip())
        ) from error
    finally:
        engine.dispose()


def key_in_use(url: str) -> str | None:
    """Return the id of the key without which the database can't be opened; None when nothing is sealed in it yet."""
    parsed = parse_url(url)
    if _is_missing_file(parsed):
        return None
    engine = build_engine(parsed)
    try:
        with engine.connect() as connection:
            return found_key(connection) if found_version(engine) is not None else None
    finally:
        engine.dispose()


def newest_version() -> str:
    """Return the version of the last migration there is."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def _create_file(path: Path) -> None:
    # SQLite gives its side files the permissions of the main one.
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise ConfigError(
            english("{file} can't be written: {why}").format(file=f"database: {path}", why=error.strerror)
        ) from error


def _is_missing_file(url: URL) -> bool:
    return url.get_backend_name() == "sqlite" and not Path(str(url.database)).is_file()


def _name_installation(connection: Connection, keyring: Keyring) -> None:
    table: Table = Installation.__table__  # type: ignore[attr-defined]
    secret = give_first_seals(connection, keyring)
    if connection.execute(select(table.c.id)).first() is None:
        connection.execute(insert(table).values(id=1, name=secrets.token_hex(6), link_key=secrets.token_hex(32)))
    connection.execute(update(table).where(table.c.look_up_secret.is_(None)).values(look_up_secret=secret))
