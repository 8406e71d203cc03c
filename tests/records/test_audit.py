"""The audit trail in both databases: entries come with their change, nobody alters them, writers make one chain."""

from __future__ import annotations

import os
import signal
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import delete, insert, text, update
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from reminders.records import audit
from reminders.records.audit import Noted, Wanted, Who
from reminders.records.audit_chain import Checker, Finding
from reminders.records.database import Database
from reminders.records.tables import MESSAGES
from reminders.records.tables_audit import AUDIT_ENTRIES, AUDIT_HEADS
from tests.delivery.worker import in_child
from tests.servers import open_database, url_of
from tests.stored import NOON, add_course, row, store


def note(session: Session, action: str = "course.see", *, practice: str = "main", **facts: Any) -> None:
    audit.note(session, Noted(practice_id=practice, at=NOON, action=action, **facts))


def wrong_with(database: Database) -> list[Finding]:
    """What verification finds."""
    with database.reading() as session:
        head = audit.head_of(session, "main")
        checker = Checker(audit.chain_key(session))
        found = [*checker.follow(audit.page_after(session, "main", 0, through=head.sequence))]
        return [*found, *checker.end(head.sequence)]


def actions(database: Database) -> list[str]:
    with database.reading() as session:
        return [each.action for each in audit.find_entries(session, "main", Wanted(), limit=1000)][::-1]


@pytest.fixture
def trail(database: Database) -> Database:
    """A database with five entries."""
    for number in range(5):
        with database.writing(by=Who("staff", "3")) as session:
            note(session, about=f"enrollment {number}", patient_id=number)
    return database


def test_an_entry_says_who_did_what_and_follows_the_one_before_it(trail: Database) -> None:
    with trail.reading() as session:
        newest, before, *_ = audit.find_entries(session, "main", Wanted(), limit=5)
    assert (newest.sequence, newest.who_kind, newest.who, newest.about) == (5, "staff", "3", "enrollment 4")
    assert newest.at == NOON
    assert newest.previous == before.hash
    assert wrong_with(trail) == []


def test_a_transaction_without_a_person_is_this_programs(database: Database) -> None:
    with database.writing() as session:
        note(session)
    with database.reading() as session:
        (entry,) = audit.find_entries(session, "main", Wanted(), limit=5)
    assert (entry.who_kind, entry.who) == ("program", "")


def test_an_entry_comes_with_its_change_or_not_at_all(database: Database) -> None:
    add_course(database)

    def end_and_break() -> None:
        with database.writing() as session:
            session.execute(text("UPDATE enrollment SET state = 'ended'"))
            note(session, "course.end")
            raise OSError

    with pytest.raises(OSError, match=r"^$"):
        end_and_break()
    assert actions(database) == []


def test_what_is_taken_back_leaves_no_entry(database: Database) -> None:
    with database.writing() as session:
        note(session, "before")
        with session.begin_nested() as part:
            note(session, "within")
            part.rollback()
        note(session, "after")
    with database.writing() as session:
        note(session, "whole")
        session.rollback()
    assert actions(database) == ["before", "after"]


@pytest.mark.parametrize(
    "statement",
    [
        pytest.param(update(AUDIT_ENTRIES).values(who="4"), id="change"),
        pytest.param(update(AUDIT_ENTRIES).where(AUDIT_ENTRIES.c.sequence == 5).values(sequence=6), id="move"),
        pytest.param(delete(AUDIT_ENTRIES).where(AUDIT_ENTRIES.c.sequence == 5), id="delete"),
        pytest.param(update(AUDIT_HEADS).values(sequence=4), id="cut"),
        pytest.param(delete(AUDIT_HEADS), id="forget"),
    ],
)
def test_the_database_refuses_to_change_or_delete_entries(trail: Database, statement: Any) -> None:
    with pytest.raises(DatabaseError, match="audit"), trail.writing() as session:
        session.execute(statement)
    assert wrong_with(trail) == []


def test_the_database_refuses_to_empty_or_replace_the_trail(trail: Database) -> None:
    if trail.engine.dialect.name == "postgresql":
        forbidden = ["TRUNCATE audit_entry", "TRUNCATE audit_head"]
    else:
        forbidden = [
            "INSERT OR REPLACE INTO audit_entry SELECT * FROM audit_entry WHERE sequence = 2",
            "INSERT OR REPLACE INTO audit_head VALUES ('main', 1, '', 0)",
        ]
    for statement in forbidden:
        with pytest.raises(DatabaseError, match="audit"), trail.writing() as session:
            session.execute(text(statement))
    assert wrong_with(trail) == []


@pytest.fixture
def unguarded(trail: Database) -> Iterator[Database]:
    """The same in the hands of somebody who owns the database and turned its triggers off."""
    connection = trail.engine.connect()
    on_postgresql = trail.engine.dialect.name == "postgresql"
    if on_postgresql:
        statements = [f"ALTER TABLE {table} DISABLE TRIGGER USER" for table in ("audit_entry", "audit_head")]
        restore = [each.replace("DISABLE", "ENABLE") for each in statements]
    else:
        with sqlite3.connect(str(trail.engine.url.database)) as raw:
            kept = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        statements, restore = [f"DROP TRIGGER {name}" for name, _ in kept], [sql for _, sql in kept]
    connection.close()
    _as_owner(trail, statements)
    yield trail
    _as_owner(trail, restore)


def _as_owner(database: Database, statements: list[str]) -> None:
    with database.writing() as session:
        for each in statements:
            session.connection().exec_driver_sql(each)


@pytest.mark.parametrize(
    ("forgery", "found"),
    [
        pytest.param("UPDATE audit_entry SET who = '4' WHERE sequence = 3", ("altered", 3, 3), id="who"),
        pytest.param("UPDATE audit_entry SET patient_id = NULL WHERE sequence = 2", ("altered", 2, 2), id="whom"),
        pytest.param("DELETE FROM audit_entry WHERE sequence = 3", ("missing", 3, 3), id="one-gone"),
        pytest.param("DELETE FROM audit_entry WHERE sequence < 3", ("missing", 1, 2), id="beginning-gone"),
        pytest.param("DELETE FROM audit_entry WHERE sequence > 3", ("cut_off", 4, 5), id="end-gone"),
        pytest.param("DELETE FROM audit_entry", ("cut_off", 1, 5), id="all-gone"),
    ],
)
def test_what_the_owner_of_the_database_does_is_found(
    unguarded: Database, forgery: str, found: tuple[str, int, int]
) -> None:
    _as_owner(unguarded, [forgery])
    assert [(each.kind, each.first, each.last) for each in wrong_with(unguarded)] == [found]


def test_swapped_entries_are_found(unguarded: Database) -> None:
    swap = "UPDATE audit_entry SET sequence = {to} WHERE sequence = {of}"
    _as_owner(unguarded, [swap.format(of=of, to=to) for of, to in ((2, 99), (4, 2), (99, 4))])
    assert {(each.kind, each.first) for each in wrong_with(unguarded)} >= {("altered", 2), ("altered", 4)}


def test_two_writers_at_once_make_one_chain(database: Database) -> None:
    each, writers = 25, 4
    failures: list[BaseException] = []

    def write(name: str) -> None:
        own = open_database(url_of(database))
        try:
            for number in range(each):
                with own.writing(by=Who("staff", name)) as session:
                    note(session, about=f"enrollment {number}")
                    note(session, about=f"concern {number}")
        except BaseException as error:  # noqa: BLE001  told below
            failures.append(error)
        finally:
            own.close()

    threads = [threading.Thread(target=write, args=(str(number),)) for number in range(writers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(actions(database)) == 2 * each * writers
    assert wrong_with(database) == []


def test_practices_have_a_chain_each(database: Database) -> None:
    with database.writing() as session:
        note(session, "one", practice="main")
        note(session, "other", practice="other")
    with database.reading() as session:
        (other,) = audit.find_entries(session, "other", Wanted(), limit=5)
    assert (other.sequence, other.action) == (1, "other")
    assert wrong_with(database) == []


def test_a_purged_beginning_needs_an_entry_that_tells_of_it(trail: Database) -> None:
    _as_owner(trail, ["UPDATE audit_head SET purged_through = 2"])
    with trail.writing() as session:
        session.execute(delete(AUDIT_ENTRIES).where(AUDIT_ENTRIES.c.sequence <= 2))
    assert [(each.kind, each.first, each.last) for each in wrong_with(trail)] == [("missing", 1, 2)]


def test_an_entry_put_behind_the_last_one_is_found(trail: Database) -> None:
    with trail.reading() as session:
        (newest,) = audit.find_entries(session, "main", Wanted(), limit=1)
    with trail.writing() as session:
        session.execute(insert(AUDIT_ENTRIES), {**newest._asdict(), "sequence": 6, "previous": newest.hash})
        session.execute(update(AUDIT_HEADS).values(sequence=6, hash=newest.hash))
    assert [(each.kind, each.first) for each in wrong_with(trail)] == [("altered", 6)]


def test_entries_are_found_by_patient_person_action_and_moment(trail: Database) -> None:
    with trail.writing(by=Who("cli", "operator")) as session:
        note(session, "concern.taken", patient_id=2)
    with trail.reading() as session:

        def found(**wanted: Any) -> list[int]:
            return [each.sequence for each in audit.find_entries(session, "main", Wanted(**wanted), limit=10)]

        assert found(patient_id=2) == [6, 3]
        assert found(who=Who("cli", "operator")) == [6]
        assert found(action="concern") == [6]
        assert found(action="concern.taken") == [6]
        assert found(action="conc") == []
        assert found(since=NOON + timedelta(seconds=1)) == []


def test_the_batch_that_a_patients_message_left_in_is_the_patients_too(database: Database) -> None:
    add_course(database)
    store(database, row())
    with database.writing() as session:
        session.execute(update(MESSAGES).values(state="sent", handed_at=NOON, settled_at=NOON, transport="file"))
        note(session, "message.send", details={"sent": [1]})
    with database.reading() as session:
        (entry,) = audit.find_entries(session, "main", Wanted(patient_id=1), limit=5)
    assert entry.action == "message.send"


def test_a_process_that_is_killed_leaves_as_many_entries_as_changes(database_url: str) -> None:
    changes = 0
    with closing(open_database(database_url)) as database:
        add_course(database)
    for committed in (1, 3, 7, 20):
        heard, told = os.pipe()
        child = in_child(lambda tell=told: _change_on_and_on(database_url, tell))  # type: ignore[misc]
        os.close(told)
        for _ in range(committed):
            assert os.read(heard, 1)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(heard)
        with closing(open_database(database_url)) as database:
            with database.reading() as session:
                changes = session.execute(text("SELECT renamings FROM practice")).scalar_one()
            assert len(actions(database)) == changes
            assert wrong_with(database) == []
    assert changes >= 31


def _change_on_and_on(url: str, tell: int) -> None:
    """Make one change after the other, and tell of each when it is committed, until killed."""
    database = open_database(url)
    while True:
        with database.writing() as session:
            session.execute(text("UPDATE practice SET renamings = renamings + 1"))
            note(session, "course.change")
        os.write(tell, b"!")
