"""A throwaway PostgreSQL on a free loopback port, and fresh databases of both kinds for tests and benchmarks."""

from __future__ import annotations

import atexit
import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
import uuid
from functools import cache
from pathlib import Path

import psycopg

from reminders.records import database, schema
from reminders.records.database import Database
from reminders.records.key_sources import as_text
from reminders.records.keyring import Key, Keyring
from tests.waiting import free_port

KEYS = Keyring((Key(bytes(range(32))),))
"""What the databases of all tests are sealed with."""

_START_SECONDS = 30
_ROLE = "tests"


class PostgreSQLServer:
    """A running server with its data in a folder of its own; both go when the process ends."""

    def __init__(self, *, follows: PostgreSQLServer | None = None, **settings: str) -> None:
        """Set the server up and wait until it answers; RuntimeError when it can't be.

        One that `follows` another is its streaming standby.
        """
        self._binaries = _newest_binaries()
        self._folder = Path(tempfile.mkdtemp(prefix="reminders-postgresql-"))
        self.port = free_port()
        self._as_user = _unprivileged(self._folder)
        self._given = settings
        data = str(self._folder / "data")
        if follows is None:
            self._call("initdb", "-D", data, "-U", _ROLE, "--auth=trust", "-E", "UTF8", "--locale=C", "--no-sync")
        else:
            self._call(
                "pg_basebackup", "-D", data, "-d", follows._conninfo("postgres"), "-R", "-c", "fast", "--no-sync"
            )
        self.start()
        atexit.register(self.stop)

    def start(self) -> None:
        """Start the server on its data and wait until it answers."""
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self._as_user, str(self._binaries / "postgres"), "-D", str(self._folder / "data"), *self._settings()],
                stdout=subprocess.DEVNULL,
                stderr=log,
                cwd=self._folder,
            )
        self._wait()

    def kill(self) -> None:
        """Let the server die as if the power failed: all its processes at once, with no clean-up."""
        members = [self._process.pid]
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children")
        members += [int(each) for each in children.read_text().split()] if children.exists() else []
        for process in members:
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        self._process.wait()

    def promote(self) -> None:
        """Make a standby the server that is written to."""
        with psycopg.connect(self._conninfo("postgres"), autocommit=True) as connection:
            connection.execute("SELECT pg_promote(true, 30)")

    def ask(self, statement: str) -> object:
        """Return the first value of a statement's answer; None when it has none."""
        with psycopg.connect(self._conninfo("postgres"), autocommit=True) as connection:
            answer = connection.execute(statement.encode())
            row = answer.fetchone() if answer.description else None
            return row[0] if row else None

    @property
    def data(self) -> Path:
        """The folder that holds what it stores."""
        return self._folder / "data"

    @property
    def log(self) -> Path:
        """The file that it writes its log to."""
        return self._folder / "log"

    def url(self, database: str) -> str:
        """Return the address of one of its databases."""
        return f"postgresql+psycopg://{_ROLE}@127.0.0.1:{self.port}/{database}"

    def create(self, database: str, *, template: str = "template1") -> str:
        """Create a database as a copy of another and return its address."""
        with psycopg.connect(self._conninfo("postgres"), autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{database}" TEMPLATE "{template}"'.encode())
        return self.url(database)

    def drop(self, database: str) -> None:
        """Drop a database, whoever is connected to it."""
        with psycopg.connect(self._conninfo("postgres"), autocommit=True) as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{database}" WITH (FORCE)'.encode())

    def empty(self, database: str) -> None:
        """Take every row out of a database of our schema but those that say what it is."""
        self.cut_connections(database)
        with psycopg.connect(self._conninfo(database)) as connection:
            tables = connection.execute(
                "SELECT string_agg(quote_ident(tablename), ', ') FROM pg_tables"
                " WHERE schemaname = 'public' AND tablename NOT IN ('alembic_version', 'installation')"
            ).fetchone()
            assert tables is not None
            connection.execute("SET session_replication_role = replica")  # the audit trail lets nobody empty it
            connection.execute(f"TRUNCATE {tables[0]} RESTART IDENTITY CASCADE".encode())

    def cut_connections(self, database: str) -> int:
        """End every session of a database, as a network that breaks does; return how many there were."""
        with psycopg.connect(self._conninfo("postgres"), autocommit=True) as connection:
            ended = connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [database]
            )
            return len(ended.fetchall())

    def stop(self) -> None:
        """End the server and remove its folder."""
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _settings(self) -> list[str]:
        # Tests kill clients, never the server: it need not survive a power cut.
        values = {
            "port": self.port,
            "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "",
            "fsync": os.environ.get("REMINDERS_TEST_FSYNC", "off"),
            "max_connections": 50,
            "shared_buffers": "128MB",
            **self._given,
        }
        return [part for name, value in values.items() for part in ("-c", f"{name}={value}")]

    def _call(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [*self._as_user, str(self._binaries / program), *arguments],
            capture_output=True,
            text=True,
            cwd=self._folder,
            check=False,
        )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stderr}")

    def _conninfo(self, database: str) -> str:
        return f"host=127.0.0.1 port={self.port} user={_ROLE} dbname={database} connect_timeout=5"

    def _wait(self) -> None:
        deadline = time.monotonic() + _START_SECONDS
        while time.monotonic() < deadline:
            try:
                psycopg.connect(self._conninfo("postgres")).close()
            except psycopg.OperationalError:
                if self._process.poll() is not None:
                    break
                time.sleep(0.05)
            else:
                return
        raise RuntimeError(f"PostgreSQL did not start: {(self._folder / 'log').read_text()}")


@cache
def postgresql() -> PostgreSQLServer:
    """Return this process's server, started at the first call, with an empty database `migrated` of our schema."""
    server = PostgreSQLServer()
    migrate(server.create("migrated"))
    return server


@cache
def shared_postgresql_database() -> str:
    """Return the name of a database of our schema for one test after the other; each leaves it empty."""
    postgresql().create("shared", template="migrated")
    return "shared"


@cache
def migrated_sqlite_file() -> Path:
    """Return an empty SQLite database of our schema, to be copied."""
    folder = Path(tempfile.mkdtemp(prefix="reminders-sqlite-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    migrate(f"sqlite:///{folder / 'migrated.db'}")
    return folder / "migrated.db"


def write_keys(folder: Path) -> None:
    """Put the keys of the tests where a configuration in this folder looks for them."""
    path = folder / "reminders.keys"
    path.touch(0o600)
    path.write_text(as_text(KEYS.keys), encoding="ascii")


def migrate(url: str) -> str:
    """Bring a database to the newest schema, sealed with the keys of the tests."""
    return schema.migrate(url, KEYS)


def open_database(url: str) -> Database:
    """Open a database with the keys of the tests."""
    return database.open_database(url, KEYS)


def url_of(opened: Database) -> str:
    """Return the address of an open database, with its password."""
    return opened.engine.url.render_as_string(hide_password=False)


def fresh_database(kind: str, folder: Path) -> str:
    """Return the address of a new database of our schema: `sqlite` in `folder`, or `postgresql`."""
    if kind == "sqlite":
        path = folder / f"{uuid.uuid4().hex}.db"
        shutil.copy(migrated_sqlite_file(), path)
        return f"sqlite:///{path}"
    return postgresql().create(f"t{uuid.uuid4().hex}", template="migrated")


def _newest_binaries() -> Path:
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda each: int(each.parts[-3]))
    if versions:
        return versions[-1].parent
    found = shutil.which("postgres")
    if found is None:
        raise RuntimeError("no PostgreSQL server on this machine; install it (Debian: apt-get install postgresql)")
    return Path(found).parent


def _unprivileged(folder: Path) -> list[str]:
    """Return how to begin a command line, since the server does not run as root, and give the folder away."""
    if os.geteuid() != 0:
        return []
    shutil.chown(folder, "nobody")
    return ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
