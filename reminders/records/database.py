"""Knows how to open the practice's database, and gives transactions that read and transactions that write."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from sqlalchemy import URL, Engine, inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from reminders.errors import ConfigError, ReminderError
from reminders.records.audit import PROGRAM, Who, act_as, append_noted
from reminders.records.engines import WRITES, build_engine, parse_url
from reminders.records.keyring import Keyring
from reminders.records.migrations import NEWEST_VERSION
from reminders.records.private_files import require_private, require_safe_folder
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import attach
from reminders.records.tables import Installation
from reminders.records.wakeups import announce
from reminders.sentences import english

Writing = Callable[[], AbstractContextManager[Session]]
"""Gives a transaction that writes, each time it is called."""

_RESTORE_SECONDS = 3600


class Database:
    """One database, open; safe to share between threads."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._writer = engine.execution_options(**{WRITES: True})
        self.works_for = PROGRAM
        """Who acts in transactions that name nobody: this program by itself, or who started it for a command."""

    @contextmanager
    def writing(self, *, by: Who | None = None) -> Iterator[Session]:
        """Give a session that is the writer from its start; commits at the end, takes all back on an error.

        `by` is who acts, as the audit trail names them. What was noted for it is appended just before the commit.
        """
        with Session(self._writer, expire_on_commit=False) as session, self._written(session, by):
            yield session

    @contextmanager
    def writing_often(self) -> Iterator[Writing]:
        """Give what gives transactions like `writing`, one after the other in one thread.

        Where a connection can't break they share one: to take it and to make a session costs more than a small change.
        """
        if self.engine.dialect.name != "sqlite":
            yield self.writing
            return
        with self._writer.connect() as connection, Session(connection, expire_on_commit=False) as session:

            @contextmanager
            def turn() -> Iterator[Session]:
                try:
                    with self._written(session, None):
                        yield session
                finally:
                    session.expunge_all()
                    session.info.clear()

            yield turn

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one moment of the database and can't change it."""
        with Session(self.engine, expire_on_commit=False) as session, session.begin():
            yield session

    @contextmanager
    def _written(self, session: Session, by: Who | None) -> Iterator[None]:
        self.keyring.keep_up()
        with session.begin():
            session.connection()  # begins here, not with the first statement: the turn comes before time is read
            act_as(session, by or self.works_for)
            yield
            announce(session)
            append_noted(session)

    def installation_name(self) -> str:
        """Return the name that tells this database from any other."""
        with self.reading() as session:
            return session.execute(select(Installation.name)).scalar_one()  # type: ignore[call-overload,no-any-return]

    def link_key(self) -> bytes:
        """Return the key that tokens in addresses are made with; see `wording.links`."""
        with self.reading() as session:
            return bytes.fromhex(session.execute(select(Installation.link_key)).scalar_one())  # type: ignore[call-overload]

    @property
    def keyring(self) -> Keyring:
        """The keys that it is sealed with."""
        return seals_of(self.engine.dialect).keyring

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def open_database(url: str, keyring: Keyring, *, was_restored: bool = False) -> Database:
    """Open the database at `url`, a SQLite file or a PostgreSQL server, with the keys that it is sealed with.

    ConfigError when it is missing, can't be reached, is open to other people of this machine, needs a key that there
    is not, or has another schema than this program. `was_restored` is for one that was just put back: it has the newest
    schema and does not say so, and may be read whole, however long that takes.
    """
    parsed = parse_url(url)
    if parsed.get_backend_name() == "sqlite":
        _require_private_file(Path(str(parsed.database)))
    engine = build_engine(parsed, statement_seconds=_RESTORE_SECONDS) if was_restored else build_engine(parsed)
    try:
        version = found_version(engine)
        if version != NEWEST_VERSION and not was_restored:
            raise ConfigError(_advice(parsed, version))
        attach(engine, keyring)
    except DatabaseError as error:
        engine.dispose()
        raise ConfigError(
            english("{database} can't be opened: {why}").format(database=shown(parsed), why=str(error.orig).strip())
        ) from error
    except ReminderError:
        engine.dispose()
        raise
    return Database(engine)


def found_version(engine: Engine) -> str | None:
    """Return the version of the schema that the database has; None when it has no tables."""
    with engine.begin() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return found


def shown(url: URL) -> str:
    """Return an address of a database as it may be printed: without its password."""
    return url.render_as_string(hide_password=True)


def _require_private_file(path: Path) -> None:
    if not path.is_file():
        raise ConfigError(english("there is no database {file}; run `reminders init` to make one").format(file=path))
    require_private(path, english("the database {path}"))
    require_safe_folder(path.parent, english("the folder of the database, {path},"))


def _advice(url: URL, version: str | None) -> str:
    if version is None:
        return f"{shown(url)} is empty; run `reminders init` to create the tables"
    if version > NEWEST_VERSION:
        return f"{shown(url)} was made by a newer program (schema {version}, not {NEWEST_VERSION}); use that one"
    return f"{shown(url)} has schema {version}, not {NEWEST_VERSION}; back it up and run `reminders init` to update it"
