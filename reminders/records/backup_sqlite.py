"""Copies a SQLite file by its online backup, and puts a copy in the place of a database that nobody uses."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from sqlalchemy import URL

from reminders.errors import ConfigError, InputError
from reminders.sentences import english

_LOCK_SECONDS = 10.0


def copy(url: URL, target: Path) -> Mapping[str, int]:
    """Copy the database at one moment, while others write, and read the copy; return how many rows each table has."""
    with closing(_opened(Path(str(url.database)))) as source, closing(_opened(target)) as made:
        source.execute("BEGIN")  # what is counted and what is copied are the same moment
        rows = count_rows(source)
        source.backup(made)
        source.execute("COMMIT")
        made.execute("PRAGMA journal_mode = DELETE")  # the copy is one file
        check(made, rows)
    return rows


def check(connection: sqlite3.Connection, rows: Mapping[str, int]) -> None:
    """Read the whole database; ConfigError when a page, a reference or a number of rows is wrong."""
    found = connection.execute("PRAGMA integrity_check").fetchall()
    if found != [("ok",)]:
        raise ConfigError(
            english("the copy is damaged: {count} faults found by SQLite's integrity check").format(count=len(found))
        )
    if dangling := connection.execute("PRAGMA foreign_key_check").fetchall():
        raise ConfigError(english("the copy is damaged: {count} rows belong to nothing").format(count=len(dangling)))
    if count_rows(connection) != rows:
        raise ConfigError(english("the copy is not whole: it has other numbers of rows than the database had"))


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table has."""
    names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    return {
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608  a name of the schema
        for (name,) in sorted(names.fetchall())
    }


def lay_beside(source: Path, url: URL, rows: Mapping[str, int]) -> Path:
    """Copy a backup next to the database it will become, check it, and return the new file's path."""
    target = Path(str(url.database))
    draft = target.with_name(target.name + ".restoring")
    target.parent.mkdir(parents=True, exist_ok=True)
    for name in (draft, *_side_files(draft)):
        name.unlink(missing_ok=True)
    os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    shutil.copyfile(source, draft)
    with closing(_opened(draft)) as connection:
        check(connection, rows)
    return draft


def put_in_place(draft: Path, url: URL, *, aside: str) -> Path | None:
    """Give a file the database's name; return where the one before it lies now, None when there was none.

    InputError, and nothing happened, while any program has the database open.
    """
    target = Path(str(url.database))
    with closing(_opened(draft)) as made:
        made.execute("PRAGMA journal_mode = DELETE")
    with draft.open("rb") as file:
        os.fsync(file.fileno())
    kept = None
    if target.exists():
        kept = target.with_name(f"{target.name}.{aside}")
        with closing(_alone_in(target)):
            target.rename(kept)
            draft.rename(target)
    else:
        draft.rename(target)
    handle = os.open(target.parent, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    return kept


def _alone_in(path: Path) -> sqlite3.Connection:
    connection = _opened(path, seconds=0.5)
    try:
        # SQLite leaves write-ahead logging only for the last who has the file open.
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError:
        connection.close()
        raise InputError(
            english("{file} is in use; stop `reminders run` and `reminders serve` first").format(file=path)
        ) from None
    except sqlite3.DatabaseError:
        pass  # what is no database any more is in nobody's use, and it is kept beside
    return connection


def _opened(path: Path, *, seconds: float = _LOCK_SECONDS) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=seconds, isolation_level=None)


def _side_files(path: Path) -> tuple[Path, ...]:
    return tuple(path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal"))
