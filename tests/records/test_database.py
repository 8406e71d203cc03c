"""Transactions: writers begin as writers, readers can't write, and nothing waits for ever."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError

from reminders.records import engines
from reminders.records.audit import Noted, head_of, note
from reminders.records.database import Database, Writing
from reminders.records.tables import Message, Patient, Practice
from tests.servers import fresh_database, open_database, postgresql
from tests.stored import NOON, add_course, enrollment, row, store


def _practice(name: str) -> Practice:
    return Practice(id=name, name="Example Practice", created_at=NOON)


def _practices(database: Database) -> list[str]:
    with database.reading() as session:
        return sorted(each.id for each in session.execute(select(Practice)).scalars())


def test_a_transaction_that_ends_well_is_kept(database: Database) -> None:
    with database.writing() as session:
        session.add(_practice("kept"))
    assert _practices(database) == ["kept"]


def test_an_error_takes_the_whole_transaction_back(database: Database) -> None:
    def fail() -> None:
        with database.writing() as session:
            session.add(_practice("lost"))
            session.flush()
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert _practices(database) == []


def test_who_writes_often_commits_each_time_and_nothing_of_one_time_is_there_the_next(database: Database) -> None:
    def fail(writing: Writing) -> None:
        with writing() as session:
            session.add(_practice("lost"))
            session.flush()
            note(session, Noted(practice_id="lost", at=NOON, action="course.see"))
            raise KeyError

    with database.writing_often() as writing:
        with writing() as session:
            session.add(_practice("first"))
        assert _practices(database) == ["first"]
        with database.writing() as session:
            session.execute(update(Practice).values(name="Renamed Practice"))
        with pytest.raises(KeyError):
            fail(writing)
        with writing() as session:
            assert session.get_one(Practice, "first").name == "Renamed Practice"
            assert head_of(session, "lost").sequence == 0
            session.add(_practice("second"))
        with writing() as session:
            assert head_of(session, "lost").sequence == 0
    assert _practices(database) == ["first", "second"]


def test_a_reader_cannot_write(database: Database) -> None:
    with pytest.raises(DBAPIError, match=r"(?i)read-?only"), database.reading() as session:
        session.execute(update(Practice).values(name="changed"))


def test_a_reader_that_follows_a_writer_on_the_same_connection_cannot_write(database: Database) -> None:
    for name in ("one", "two"):
        with database.writing() as session:
            session.add(_practice(name))
        with pytest.raises(DBAPIError, match=r"(?i)read-?only"), database.reading() as session:
            session.execute(update(Practice).values(name="changed"))


def test_a_writer_may_follow_a_reader_on_the_same_connection(database: Database) -> None:
    for name in ("one", "two"):
        assert len(_practices(database)) < 2
        with database.writing() as session:
            session.add(_practice(name))
    assert _practices(database) == ["one", "two"]


def test_database_is_locked_never_happens_at_once_as_the_second_writer_waits(tmp_path: Path) -> None:
    """A read that turns into a write is refused at once on SQLite; here the writer waits before it reads."""
    database = open_database(fresh_database("sqlite", tmp_path))
    entered = threading.Barrier(2)

    def count_up() -> None:
        entered.wait()
        for _ in range(20):
            with database.writing() as session:
                found = session.execute(select(func.count()).select_from(Practice)).scalar_one()
                time.sleep(0.001)
                session.add(_practice(f"{found}"))

    workers = [threading.Thread(target=count_up) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(map(int, _practices(database))) == list(range(40))
    database.close()


def test_a_reader_sees_one_moment_while_others_write(tmp_path: Path) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    with database.reading() as session:
        before = session.execute(select(func.count()).select_from(Practice)).scalar_one()
        with database.writing() as writer:
            writer.add(_practice("new"))
        assert session.execute(select(func.count()).select_from(Practice)).scalar_one() == before == 0
    database.close()


@pytest.mark.parametrize(
    "endless",
    [
        pytest.param(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n", id="sqlite"
        ),
        pytest.param("SELECT pg_sleep(60)", id="postgresql"),
    ],
)
def test_a_statement_that_never_returns_is_ended(endless: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    kind = request.node.callspec.id
    engine = engines.build_engine(engines.parse_url(fresh_database(kind, tmp_path)), statement_seconds=1)
    with engine.connect() as connection:
        start = time.monotonic()
        with pytest.raises(DBAPIError, match=r"interrupted|statement timeout"):
            connection.execute(text(endless)).all()
        assert time.monotonic() - start < 5
    with engine.connect() as connection:
        assert connection.execute(text("SELECT 1")).scalar() == 1
    engine.dispose()


def test_a_commit_is_on_the_disk(tmp_path: Path) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    with database.writing() as session:
        pragmas = {
            name: session.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 10_000}
    database.close()


def test_a_cut_connection_is_replaced(tmp_path: Path) -> None:
    url = fresh_database("postgresql", tmp_path)
    database = open_database(url)
    assert _practices(database) == []
    assert postgresql().cut_connections(url.rpartition("/")[2]) >= 1
    assert _practices(database) == []
    database.close()


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"state": "posted"}, id="unknown-state"),
        pytest.param({"state": "sending"}, id="sending-without-a-claim"),
        pytest.param({"claim_token": "t"}, id="claim-without-sending"),
        pytest.param({"state": "sending", "claim_token": "t", "handed_at": NOON}, id="claim-without-a-lease"),
        pytest.param({"state": "sent"}, id="sent-but-never-handed-over"),
        pytest.param({"state": "joined"}, id="joined-into-nothing"),
        pytest.param({"enrollment_id": None}, id="instruction-without-a-course"),
        pytest.param({"enrollment_id": 99}, id="course-that-does-not-exist"),
        pytest.param({"kind": "answer", "answers_reply_id": 99}, id="answer-to-no-reply"),
        pytest.param({"kind": "letter"}, id="unknown-kind"),
        pytest.param({"in_doubt": "maybe"}, id="unknown-in-doubt"),
        pytest.param({"importance": 0}, id="importance-too-low"),
        pytest.param({"importance": 10}, id="importance-too-high"),
        pytest.param({"text": None}, id="no-text"),
        pytest.param({"useful_until": None}, id="no-end"),
    ],
)
def test_the_database_forbids_impossible_messages(database: Database, changes: dict[str, Any]) -> None:
    add_course(database)
    store(database, row(1))
    with pytest.raises(IntegrityError):
        store(database, row(2, **changes))


def test_an_instruction_of_a_course_is_stored_once(database: Database) -> None:
    add_course(database, courses=2)
    store(database, row(1), row(2), row(1, enrollment_id=2))
    with pytest.raises(IntegrityError):
        store(database, row(3), row(2))
    with database.reading() as session:
        assert session.execute(select(func.count()).select_from(Message)).scalar_one() == 3


def test_an_instant_without_a_zone_is_refused(database: Database) -> None:
    add_course(database)
    with pytest.raises(Exception, match="an instant needs a time zone"):
        store(database, row(due_at=NOON.replace(tzinfo=None)))


def test_instants_come_back_as_they_went_in(database: Database) -> None:
    add_course(database)
    moment = NOON.replace(microsecond=123_457)
    store(database, row(due_at=moment))
    with database.reading() as session:
        message = session.execute(select(Message)).scalar_one()
    assert message.due_at == moment
    assert message.due_at.utcoffset() == NOON.utcoffset()


def test_a_course_needs_a_patient(database: Database) -> None:
    add_course(database)
    with pytest.raises(IntegrityError), database.writing() as session:
        session.add(enrollment(7, patient_id=99))


def test_a_patient_with_a_course_cannot_vanish(database: Database) -> None:
    add_course(database)
    with pytest.raises(IntegrityError), database.writing() as session:
        session.delete(session.get_one(Patient, 1))
