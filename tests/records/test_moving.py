"""A database moves from SQLite to PostgreSQL: all of it, compared row by row, and everything goes on there."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, text

from reminders.assembly import App
from reminders.errors import ConfigError, InputError
from reminders.records import moving
from reminders.records.moving import move
from tests.desk.office import Office, open_office
from tests.servers import fresh_database, open_database


@pytest.fixture
def target(tmp_path: Path) -> str:
    """An empty PostgreSQL database."""
    return fresh_database("postgresql", tmp_path)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    """A practice in SQLite that has patients, replies, concerns and more behind it."""
    made = open_office(tmp_path, fresh_database("sqlite", tmp_path), "2026-06-10T10:30")
    made.enroll(email="robin@example.org", visit="2026-06-24T10:00")
    made.enroll(first_name="Zoë", phone="312-555-0124", factors=("diabetes",))
    made.play("2026-06-12T12:00")
    made.reply("it is red and hot up to my ankle")
    made.reply("STOP", sender="+13125550124")
    made.play("2026-06-12T18:00")
    yield made
    made.dispatcher.close()
    made.database.close()


def _move(office: Office, target: str) -> dict[str, int]:
    told: list[tuple[str, int, int]] = []
    moved = move(
        office.database, target, office.database.keyring, tell=lambda table, done, of: told.append((table, done, of))
    )
    assert {name: of for name, _, of in told} == {each.name: each.rows for each in moved if each.rows}
    return {each.name: each.rows for each in moved}


@contextmanager
def _there(office: Office, target: str) -> Iterator[Office]:
    """The same practice with the database that it moved to."""
    there = Office(App(office.app.config.model_copy(update={"database": target}), office.clock), office.clock)
    yield there
    there.dispatcher.close()
    there.database.close()


def test_everything_is_there_as_it_was_and_is_opened_by_the_same_keys(office: Office, target: str) -> None:
    before = office.dump()
    moved = _move(office, target)
    assert moved == {name: len(rows) for name, rows in before.items()}
    assert moved["message"] > 40
    with _there(office, target) as there:
        assert there.dump() == before


def test_the_practice_goes_on_with_numbers_of_their_own(office: Office, target: str) -> None:
    _move(office, target)
    sent = len(office.texts)
    with _there(office, target) as there:
        enrolled = there.enroll(first_name="Kim", phone="312-555-0125", end="2026-06-12T17:00")
        assert enrolled.enrollment_id == 3
        there.play("2026-06-13T12:00")
        there.reply("yes", sender="+13125550125")
        assert len(there.texts) > sent


def test_a_row_that_arrives_otherwise_undoes_all(office: Office, target: str) -> None:
    def spoil(connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if "FROM contact" in statement and connection.dialect.name == "postgresql":
            connection.connection.cursor().execute("UPDATE contact SET state = 'stopped'")

    event.listen(Engine, "before_cursor_execute", spoil)
    try:
        with pytest.raises(ConfigError, match="row 1 of contact did not arrive as it was; nothing was moved"):
            _move(office, target)
    finally:
        event.remove(Engine, "before_cursor_execute", spoil)
    there = open_database(target)
    with there.reading() as session:
        assert session.execute(text("SELECT count(*) FROM patient")).scalar_one() == 0
    there.close()


def test_nothing_is_moved_onto_rows(office: Office, target: str) -> None:
    _move(office, target)
    with pytest.raises(InputError, match="not empty: there are rows in"):
        _move(office, target)


def test_nobody_writes_while_it_moves(office: Office, target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    copied = moving._moved

    def meanwhile(*given: Any) -> Any:
        path = office.database.engine.url.database
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            sqlite3.connect(str(path), timeout=0).execute("UPDATE patient SET zone = 'UTC'")
        return copied(*given)

    monkeypatch.setattr(moving, "_moved", meanwhile)
    assert _move(office, target)["patient"] == 2


def test_only_from_sqlite_to_postgresql(office: Office, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="from SQLite to PostgreSQL only"):
        _move(office, f"sqlite:///{tmp_path / 'other.sqlite3'}")
