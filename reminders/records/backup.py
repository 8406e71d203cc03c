"""Copies a running database to a file that was read again in full, and puts such a copy back."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL, inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from reminders.errors import ConfigError, InputError
from reminders.records import backup_postgresql, backup_sqlite
from reminders.records.database import found_version, shown
from reminders.records.engines import build_engine, parse_url
from reminders.records.migrations import NEWEST_VERSION
from reminders.records.sealing import found_key
from reminders.records.tables import Installation
from reminders.sentences import english

_BLOCK = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """What a copy holds; it lies beside the copy as `NAME.json`, and holds nothing about a patient."""

    kind: str
    """sqlite, postgresql."""
    schema: str
    installation: str
    taken_at: datetime
    rows: Mapping[str, int]
    """Table → rows, counted at the one moment that the copy shows."""
    sha256: str
    key: str = ""
    """Without which nobody can read the copy; empty when it was taken by a program that did not seal."""

    @property
    def messages(self) -> int:
        """How many messages it holds."""
        return sum(count for name, count in self.rows.items() if name == "message" or name.startswith("message_of_"))


def back_up(url: str, target: Path, *, now: datetime, replace: bool = False) -> Manifest:
    """Copy the database to `target` while it is in use; the copy shows one moment, and was read again in full.

    The files are their owner's only, and get their names when all is done. InputError when there is one of that name
    and `replace` was not said; ConfigError when the database can't be read or the copy is not whole.
    """
    parsed = parse_url(url)
    if target.exists() and not replace:
        raise InputError(english("{file} is there already; say --force to replace it").format(file=target))
    schema, installation, key = _identity(parsed)
    draft = target.with_name(target.name + ".partial")
    _make_private(draft)
    try:
        copy = backup_sqlite.copy if parsed.get_backend_name() == "sqlite" else backup_postgresql.copy
        rows = copy(parsed, draft)
        manifest = Manifest(
            kind=parsed.get_backend_name(),
            schema=schema,
            installation=installation,
            taken_at=now,
            rows=rows,
            sha256=_digest(draft),
            key=key,
        )
        _sync(draft)
        _write_manifest(target, manifest)
        draft.replace(target)
        _sync(target.parent)
    finally:
        draft.unlink(missing_ok=True)
    return manifest


def read_manifest(source: Path) -> Manifest:
    """Read what a copy should hold and check that the file is the one that was written; InputError when it is not."""
    beside = _manifest_path(source)
    try:
        fields = json.loads(beside.read_text(encoding="utf-8"))
        manifest = Manifest(**{**fields, "taken_at": datetime.fromisoformat(fields["taken_at"])})
    except FileNotFoundError:
        raise InputError(
            english("{file} is missing: a copy can be checked only with the file that was written beside it").format(
                file=beside
            )
        ) from None
    except (ValueError, TypeError, KeyError):
        raise InputError(english("{file} was not written by `reminders backup`").format(file=beside)) from None
    if not source.is_file():
        raise InputError(english("there is no file {file}").format(file=source))
    if _digest(source) != manifest.sha256:
        raise InputError(
            english("{file} is damaged: it is not what was written; take an older copy").format(file=source)
        )
    if manifest.schema > NEWEST_VERSION:
        raise InputError(
            english("{file} was made by a newer program (schema {schema}); use that one").format(
                file=source, schema=manifest.schema
            )
        )
    return manifest


def rename_installation(session: Session, name: str) -> None:
    """Give the database another name: what is numbered anew must not bear the keys of what was lost."""
    session.connection().execute(text("UPDATE installation SET name = :name"), {"name": name})


def is_empty(url: URL) -> bool:
    """Say whether there is nothing at that address that a copy would replace; ConfigError when it can't be reached."""
    if url.get_backend_name() == "sqlite":
        return not Path(str(url.database)).exists()
    engine = build_engine(url)
    try:
        with engine.connect() as connection:
            return not inspect(connection).get_table_names()
    except DatabaseError as error:
        raise ConfigError(
            english("{database} can't be opened: {why}").format(database=shown(url), why=str(error.orig).strip())
        ) from error
    finally:
        engine.dispose()


def _identity(url: URL) -> tuple[str, str, str]:
    """Return the schema, the installation's name and the key in use."""
    if is_empty(url):
        raise ConfigError(english("there is no database {database}; nothing was copied").format(database=shown(url)))
    engine = build_engine(url)
    try:
        schema = found_version(engine)
        if schema is None:
            raise ConfigError(english("{database} is empty; nothing was copied").format(database=shown(url)))
        with engine.connect() as connection:
            name: str = connection.execute(select(Installation.name)).scalar_one()  # type: ignore[call-overload]
            return schema, name, found_key(connection) or ""
    except DatabaseError as error:
        raise ConfigError(
            english("{database} can't be read: {why}").format(database=shown(url), why=str(error.orig).strip())
        ) from error
    finally:
        engine.dispose()


def _write_manifest(target: Path, manifest: Manifest) -> None:
    beside = _manifest_path(target)
    draft = beside.with_name(beside.name + ".partial")
    _make_private(draft)
    fields = {**asdict(manifest), "taken_at": manifest.taken_at.isoformat()}
    draft.write_text(json.dumps(fields, indent=2) + "\n", encoding="utf-8")
    _sync(draft)
    draft.replace(beside)


def _manifest_path(target: Path) -> Path:
    return target.with_name(target.name + ".json")


def _make_private(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except OSError as error:
        raise ConfigError(
            english("{file} can't be written to: {why}").format(file=path.parent, why=error.strerror)
        ) from error


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
