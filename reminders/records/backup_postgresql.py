"""Copies a PostgreSQL database with its own tools at one moment, and puts such a copy back in one transaction."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import URL, Connection, text

from reminders.errors import ConfigError, InputError
from reminders.records.engines import build_engine
from reminders.sentences import english

_VERSION_TABLE = "alembic_version"
_HEAD = re.compile(rb"COPY public\.\"?(\w+)\"? ")


def copy(url: URL, target: Path) -> Mapping[str, int]:
    """Copy the database while others write, and read the copy; return how many rows each table has."""
    engine = build_engine(url, statement_seconds=3600)
    try:
        with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection:
            snapshot = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
            connection.execute(text("SET LOCAL idle_in_transaction_session_timeout = 0"))
            rows = count_rows(connection)
            words = ("--format=custom", "--no-owner", "--no-privileges", f"--snapshot={snapshot}")
            _run("pg_dump", url, *words, f"--file={target}", f"--dbname={_conninfo(url)}")
    finally:
        engine.dispose()
    if _rows_in(target, url) != rows:
        raise ConfigError(english("the copy is not whole: it has other numbers of rows than the database had"))
    return rows


def count_rows(connection: Connection) -> dict[str, int]:
    """Return how many rows each table has, each partition for itself."""
    names = connection.execute(
        text("SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' ORDER BY 1")
    )
    return {
        name: connection.execute(text(f'SELECT count(*) FROM "{name}"')).scalar_one()  # noqa: S608  a name of the catalogue
        for name in names.scalars().all()
    }


def put_back(source: Path, url: URL, rows: Mapping[str, int]) -> None:
    """Replace what the database holds by the copy, all or nothing, but for the version of its schema.

    Without that no program opens the database: whoever restores writes it when all is settled. InputError, and nothing
    happened, while any program is connected.
    """
    engine = build_engine(url, statement_seconds=3600)
    try:
        with engine.connect() as connection:
            others = connection.execute(
                text(
                    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
                    " AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
                )
            ).scalar_one()
        if others:
            raise InputError(
                english("{count} programs are connected to the database; stop them first").format(count=others)
            )
        with tempfile.NamedTemporaryFile("w", suffix=".list") as chosen:
            listed = _run("pg_restore", url, "--list", str(source)).decode()
            lines = [line for line in listed.splitlines() if f"TABLE DATA public {_VERSION_TABLE} " not in line]
            chosen.write("\n".join(lines) + "\n")
            chosen.flush()
            words = (
                "--clean",
                "--if-exists",
                "--single-transaction",
                "--exit-on-error",
                "--no-owner",
                "--no-privileges",
            )
            _run("pg_restore", url, *words, f"--use-list={chosen.name}", f"--dbname={_conninfo(url)}", str(source))
        with engine.connect() as connection:
            found = count_rows(connection)
    finally:
        engine.dispose()
    expected = {**rows, _VERSION_TABLE: 0}
    if found != expected:
        wrong = sorted(name for name in expected.keys() | found.keys() if found.get(name) != expected.get(name))
        raise ConfigError(
            english("the database is not what the copy was: other numbers of rows in {known}").format(
                known=", ".join(wrong)
            )
        )


def write_version(url: URL, version: str) -> None:
    """Say which schema the database has, so that programs open it."""
    engine = build_engine(url)
    try:
        with engine.begin() as connection:
            connection.exec_driver_sql("SET TRANSACTION READ WRITE")
            connection.execute(text(f"INSERT INTO {_VERSION_TABLE} VALUES (:version)"), {"version": version})  # noqa: S608  our own name
    finally:
        engine.dispose()


def _rows_in(dump: Path, url: URL) -> dict[str, int]:
    """Count the rows that a copy holds by reading every one of them."""
    rows: dict[str, int] = {}
    command = [_tool("pg_restore"), "--data-only", "--file=-", str(dump)]
    quiet = subprocess.DEVNULL
    environment = _environment(url)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=quiet, env=environment) as reading:  # noqa: S603  our own words
        table = None
        for line in reading.stdout or ():
            if table is None:
                if head := _HEAD.match(line):
                    table = head[1].decode()
                    rows[table] = 0
            elif line == b"\\.\n":
                table = None
            else:
                rows[table] += 1
    if reading.returncode:
        raise ConfigError(english("the copy can't be read again: pg_restore refuses it"))
    return rows


def _run(program: str, url: URL, *words: str) -> bytes:
    command = [_tool(program), *words]
    done = subprocess.run(command, capture_output=True, env=_environment(url), check=False)  # noqa: S603  our own words
    if done.returncode:
        # further lines may repeat a row
        first = next((line for line in done.stderr.decode(errors="replace").splitlines() if "error:" in line), "")
        raise ConfigError(
            english("{program} failed: {why}").format(
                program=program, why=first.partition("error:")[2].strip()[:200] or english("it says nothing")
            )
        )
    return done.stdout


def _tool(program: str) -> str:
    """Return the newest of PostgreSQL's own tools: a server is copied by one at least as new."""
    versions = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{program}"), key=lambda each: int(each.parts[-3]))
    found = str(versions[-1]) if versions else shutil.which(program)
    if found is None:
        raise ConfigError(
            english("{program} is missing; install PostgreSQL's client programs (Debian: postgresql-client)").format(
                program=program
            )
        )
    return found


def _conninfo(url: URL) -> str:
    from psycopg.conninfo import make_conninfo  # noqa: PLC0415  an optional extra

    _, given = build_engine(url).dialect.create_connect_args(url)
    return make_conninfo(**{name: value for name, value in given.items() if name not in {"password", "context"}})


def _environment(url: URL) -> dict[str, str]:
    """Return the environment of a tool: the password stands there, as others may read a command line."""
    return {**os.environ, **({"PGPASSWORD": str(url.password)} if url.password else {})}
