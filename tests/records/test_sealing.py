"""What is sealed in a database, that nothing else can read it, and that older rows and older keys are left behind."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from sqlalchemy import JSON, Column, String, select, text
from sqlalchemy.exc import StatementError
from sqlmodel import AutoString, SQLModel, col

from reminders.errors import ConfigError, SealError
from reminders.records import database as records
from reminders.records import people, schema
from reminders.records.database import Database
from reminders.records.engines import parse_url
from reminders.records.key_rotation import KeyState, keys_of, rotate
from reminders.records.key_sources import KeyFile, as_text, open_keyring
from reminders.records.keyring import Key, Keyring
from reminders.records.private_files import write_private
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import Tell, sealed_tables
from reminders.records.tables import MESSAGES, Contact, Patient
from tests.databases import database_kind
from tests.delivery.worker import in_child
from tests.records.older import WORD, older_database
from tests.records.traces import traces
from tests.servers import KEYS, fresh_database, open_database, postgresql, url_of
from tests.stored import PHONE, add_course, messages, row, soaks, store

__all__ = ["database_kind"]

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
PERSONAL = (PHONE, PHONE[2:], "robin@example.org", "pat it dry")


@pytest.fixture
def filled(database_kind: str, tmp_path: Path) -> Iterator[Database]:
    """A database of its own with a patient and twenty messages."""
    url = fresh_database(database_kind, tmp_path)
    database = open_database(url)
    add_course(database)
    store(database, *soaks(20))
    yield database
    database.close()
    if database_kind == "postgresql":
        postgresql().drop(str(parse_url(url).database))


def test_every_sealed_column_is_bound_to_its_own_place() -> None:
    for each in sealed_tables():
        for name in each.sealed:
            assert each.context(name) == f"{each.table.name}.{name}".encode()


def test_every_hash_is_made_of_a_column_that_is_sealed() -> None:
    for each in sealed_tables():
        assert {of for _, of in each.hashes} <= set(each.sealed)


def _decided() -> dict[str, tuple[set[str], set[str]]]:
    """What DEVELOPERS.md says of each table: the columns that are sealed, and those that stay readable."""
    lines = DEVELOPERS.read_text("utf-8").partition("| table | sealed | readable |")[2].splitlines()[2:]
    rows = [line.strip("| ").split(" | ") for line in lines[: lines.index("")]]
    return {table.strip("`"): (_names(sealed), _names(readable)) for table, sealed, readable in rows}


def _names(cell: str) -> set[str]:
    return {each.strip() for each in cell.split(",")} - {"–"}


def test_of_every_column_of_words_it_was_decided_whether_it_is_sealed() -> None:
    sealed = {each.table.name: set(each.sealed) for each in sealed_tables()}
    found = {
        table.name: (sealed.get(table.name, set()), {column.name for column in table.columns if _holds_words(column)})
        for table in SQLModel.metadata.tables.values()
    }
    decided = _decided()
    assert {name: decided.get(name) for name, columns in found.items() if any(columns)} == {
        name: columns for name, columns in found.items() if any(columns)
    }


def _holds_words(column: Column[Any]) -> bool:
    is_text = isinstance(column.type, (String, JSON, AutoString))
    return is_text and not column.foreign_keys and column.name != "practice_id"


def test_nothing_personal_stands_in_the_files_of_a_database(filled: Database) -> None:
    assert traces(url_of(filled), PERSONAL) == []


def test_what_is_looked_for_would_be_found(filled: Database) -> None:
    assert traces(url_of(filled), ["scheduled"])


def test_what_is_sealed_can_not_be_compared_in_a_query(filled: Database) -> None:
    with filled.reading() as session, pytest.raises(StatementError, match="can't be compared in a query"):
        session.execute(select(Patient).where(col(Patient.first_name) == "Robin")).all()
    with filled.reading() as session, pytest.raises(StatementError, match="can't be compared in a query"):
        session.execute(select(Contact).where(col(Contact.address).in_([PHONE]))).all()


def test_two_sealed_columns_can_not_be_compared_either() -> None:
    other = MESSAGES.alias()
    for column in (col(Contact.address), other.c.address, MESSAGES.c.text):
        with pytest.raises(TypeError, match="can't be compared in a query"):
            assert MESSAGES.c.address == column
    assert MESSAGES.c.detail.is_(None) is not None


def test_an_address_is_found_by_its_hash(filled: Database) -> None:
    with filled.reading() as session:
        assert [each.address for each in people.contacts_at(session, "main", "sms", PHONE)] == [PHONE]
        assert people.contacts_at(session, "main", "sms", PHONE[:-1]) == []


def test_the_hashes_of_two_databases_differ(tmp_path: Path) -> None:
    opened = [open_database(fresh_database("sqlite", tmp_path)) for _ in range(2)]
    # the template that fresh ones are copied from has one secret; a database of its own has another
    own = f"sqlite:///{tmp_path / 'own.db'}"
    schema.migrate(own, KEYS)
    opened.append(open_database(own))
    hashes = [seals_of(each.engine.dialect).hash(PHONE) for each in opened]
    assert hashes[0] == hashes[1] != hashes[2]
    for each in opened:
        each.close()


def test_every_value_is_sealed_for_itself(filled: Database) -> None:
    with filled.engine.connect() as connection:
        blobs = connection.execute(text("SELECT text FROM message")).scalars().all()
        keys = connection.execute(text("SELECT address_key FROM message")).scalars().all()
    assert len({bytes(each) for each in blobs}) == 20
    assert len({each.text for each in messages(filled)}) == 1
    assert len({bytes(each) for each in keys}) == 1


def _raw(database: Database, statement: str, **values: Any) -> None:
    with database.writing() as session:
        session.connection().execute(text(statement), values)


def test_a_changed_value_is_noticed_and_nothing_of_it_told(filled: Database) -> None:
    with filled.engine.connect() as connection:
        blob = bytearray(connection.execute(text("SELECT first_name FROM patient")).scalar_one())
    blob[-1] ^= 1
    _raw(filled, "UPDATE patient SET first_name = :blob", blob=bytes(blob))
    with filled.reading() as session, pytest.raises(SealError, match=r"patient\.first_name was changed") as caught:
        people.patient_of(session, 1)
    assert "Robin" not in str(caught.value)


def test_a_value_from_another_column_is_noticed(filled: Database) -> None:
    _raw(filled, "UPDATE patient SET first_name = last_name")
    with filled.reading() as session, pytest.raises(SealError, match="moved there from elsewhere"):
        people.patient_of(session, 1)


def test_a_value_written_past_the_program_is_noticed(filled: Database) -> None:
    _raw(filled, "UPDATE patient SET first_name = :name", name=b"Robin")
    with filled.reading() as session, pytest.raises(SealError, match="is not sealed"):
        people.patient_of(session, 1)


def test_without_its_key_a_database_does_not_open(filled: Database) -> None:
    with pytest.raises(ConfigError, match=f"key {KEYS.current.id} is missing"):
        records.open_database(url_of(filled), Keyring((Key.new(),)))


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o606])
def test_a_database_file_that_is_open_to_others_is_refused(tmp_path: Path, mode: int) -> None:
    url = fresh_database("sqlite", tmp_path)
    Path(str(parse_url(url).database)).chmod(mode)
    with pytest.raises(ConfigError, match=f"open to others \\(mode {mode:04o}\\)"):
        open_database(url)


def test_a_folder_that_everybody_may_write_to_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "open"
    folder.mkdir()
    url = fresh_database("sqlite", folder)
    folder.chmod(0o777)
    with pytest.raises(ConfigError, match=r"can be written to by everybody \(mode 0777\)"):
        open_database(url)
    folder.chmod(0o1777)  # in a folder like /tmp nobody replaces the file of another
    open_database(url).close()


@pytest.fixture
def older(database_kind: str, tmp_path: Path) -> Iterator[str]:
    """A database of the program before this one, with 450 rows in each table."""
    name = f"older{time.time_ns()}"
    url = f"sqlite:///{tmp_path / 'older.db'}" if database_kind == "sqlite" else postgresql().create(name)
    older_database(url, rows=450)
    yield url
    if database_kind == "postgresql":
        postgresql().drop(name)


def test_older_rows_are_sealed_and_leave_no_trace(older: str) -> None:
    assert {word for _, word in traces(older, [WORD])} == {WORD}
    told: list[tuple[int, int]] = []
    schema.migrate(older, KEYS, tell=lambda done, total: told.append((done, total)))
    assert traces(older, [WORD]) == []
    assert told[0] == (0, 5851)
    assert told[-1] == (5851, 5851)
    database = open_database(older)
    for each in sealed_tables():
        with database.reading() as session:
            for found in session.execute(select(*(each.table.c[name] for name in each.sealed))):
                assert each.table.name == "installation" or all(WORD in str(value) for value in found)
    with database.reading() as session:
        assert database.link_key() == bytes.fromhex("ab" * 32)
        (contact,) = people.contacts_at(session, "main", "sms", f"{WORD} 7")
        assert contact.patient_id == 7
        same = select(MESSAGES.c.id).where(MESSAGES.c.address_key == f"{WORD} 9")
        assert session.execute(same).scalars().all() == [9]
    database.close()


def test_sealing_that_was_broken_off_goes_on_and_nothing_opens_until_then(older: str) -> None:
    def stop(done: int, _total: int) -> None:
        if done > 900:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        schema.migrate(older, KEYS, tell=stop)
    with pytest.raises(ConfigError, match=r"not sealed yet.*reminders init"):
        open_database(older)
    told: list[int] = []
    schema.migrate(older, KEYS, tell=lambda _done, total: told.append(total))
    assert 0 < told[0] < 5851 - 900
    assert traces(older, [WORD]) == []
    open_database(older).close()


@pytest.fixture
def keys(tmp_path: Path) -> KeyFile:
    """A key file with the keys of the tests."""
    file = KeyFile(tmp_path / "reminders.keys")
    write_private(file.path, as_text(KEYS.keys), replace=False)
    return file


def _sealed_by(url: str, keys: KeyFile) -> dict[str, KeyState]:
    return {each.id: each.state for each in keys_of(url, keys, tell=lambda _done, _total: None)}


def _rotated(url: str, keys: KeyFile, tell: Tell = lambda _done, _total: None) -> int:
    database = records.open_database(url, open_keyring(keys))
    try:
        return rotate(database, keys, tell=tell).rows
    finally:
        database.close()


def test_after_a_rotation_the_older_key_can_go(filled: Database, keys: KeyFile) -> None:
    url = url_of(filled)
    before = [each.model_dump() for each in messages(filled)]
    assert _rotated(url, keys) == 1 + 1 + 2 + 1 + 20  # installation, patient, contacts, course, messages
    new, old = keys.read()
    assert _sealed_by(url, keys) == {new.id: KeyState.CURRENT, old.id: KeyState.UNUSED}
    write_private(keys.path, as_text((new,)), replace=True)
    opened = records.open_database(url, open_keyring(keys))
    assert [each.model_dump() for each in messages(opened)] == before
    with opened.reading() as session:
        assert len(people.contacts_at(session, "main", "sms", PHONE)) == 1
    opened.close()


def test_a_rotation_while_others_work_loses_nothing(filled: Database, keys: KeyFile) -> None:
    url = url_of(filled)
    store(filled, *soaks(900, first=21))
    running = records.open_database(url, open_keyring(keys))
    stop = threading.Event()
    written: list[int] = []

    def work() -> None:
        while not stop.is_set():
            written.extend(store(running, row(10_000 + len(written))))
            with running.reading() as session:
                assert session.execute(select(MESSAGES.c.text).limit(5)).scalars().all() == [row()["text"]] * 5

    worker = threading.Thread(target=work)
    worker.start()
    _rotated(url, keys)
    stop.set()
    worker.join()
    found = messages(running)
    assert written
    assert {each.text for each in found} == {row()["text"]}
    assert len(found) == 920 + len(written)
    with running.reading() as session:
        hashes = session.execute(select(MESSAGES.c.address_key).distinct()).scalars().all()
    assert len(hashes) == 1
    running.close()


def _rotation_that_dies(url: str, keys: KeyFile, *, after: int) -> Callable[[], None]:
    def die(done: int, _total: int) -> None:
        if done >= after:
            os.kill(os.getpid(), signal.SIGKILL)

    def work() -> None:
        _rotated(url, keys, die)

    return work


def test_a_rotation_that_is_killed_again_and_again_comes_to_its_end(filled: Database, keys: KeyFile) -> None:
    store(filled, *soaks(1000, first=21))
    url, random, kills = url_of(filled), Random(5), 0
    before = [each.model_dump() for each in messages(filled)]
    filled.engine.dispose()
    for _ in range(5):
        _, status = os.waitpid(in_child(_rotation_that_dies(url, keys, after=random.randint(0, 600))), 0)
        kills += os.WIFSIGNALED(status)
    assert kills >= 2
    _rotated(url, keys)
    states = _sealed_by(url, keys)
    assert sorted(states.values()).count(KeyState.CURRENT) == 1
    assert KeyState.OLDER not in states.values()
    assert len(states) == len(keys.read())
    opened = records.open_database(url, open_keyring(keys))
    assert [each.model_dump() for each in messages(opened)] == before
    opened.close()


def test_a_rotation_that_was_broken_off_makes_no_further_key(filled: Database, keys: KeyFile) -> None:
    url = url_of(filled)
    store(filled, *soaks(500, first=21))

    def stop(done: int, _total: int) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        _rotated(url, keys, stop)
    assert len(keys.read()) == 2
    _rotated(url, keys)
    assert len(keys.read()) == 2


def test_a_lost_key_is_told_with_how_much_it_sealed(filled: Database, keys: KeyFile) -> None:
    write_private(keys.path, as_text((Key.new(),)), replace=True)
    states = _sealed_by(url_of(filled), keys)
    assert states[KEYS.current.id] is KeyState.MISSING


def test_the_keys_of_a_database_that_does_not_seal_yet_are_not_asked_for(older: str, keys: KeyFile) -> None:
    with pytest.raises(ConfigError, match="run `reminders init` first"):
        _sealed_by(older, keys)
