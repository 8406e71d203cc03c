"""Messages parted by practice: every row is there, every promise holds, and a claim reads one partition."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from reminders.errors import InputError
from reminders.records import database, outbox
from reminders.records.backup import back_up
from reminders.records.database import Database
from reminders.records.engines import parse_url
from reminders.records.keyring import Key, Keyring
from reminders.records.partitioning import part_messages, partitions
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import seal_anew, uses
from reminders.records.tables import MESSAGES, Practice
from tests.delivery.scripted import ScriptedTransport, dispatcher
from tests.servers import KEYS, fresh_database, migrate, open_database, postgresql, url_of
from tests.stored import NOON, add_course, messages, row, soaks, states, store

PRACTICES = ("main", "north", "south", "east", "west")


def _of_practices(*numbers: int) -> list[dict[str, Any]]:
    return [row(n, practice_id=PRACTICES[n % 5], due_at=NOON + timedelta(hours=n % 7)) for n in numbers]


@pytest.fixture
def parted(tmp_path: Path) -> Iterator[Database]:
    """A database of five practices with 500 messages, parted in four after they were stored."""
    url = fresh_database("postgresql", tmp_path)
    database = open_database(url)
    add_course(database)
    with database.writing() as session:
        session.add_all(Practice(id=each, name="Another", created_at=NOON) for each in PRACTICES[1:])
    store(database, *_of_practices(*range(1, 501)))
    before = [each.model_dump() for each in messages(database)]
    database.close()
    assert len(part_messages(url, 4)) == 4
    database = open_database(url)
    assert [each.model_dump() for each in messages(database)] == before
    yield database
    database.close()
    postgresql().drop(str(parse_url(url).database))


def test_all_messages_of_a_practice_lie_in_one_partition(parted: Database) -> None:
    with parted.engine.connect() as connection:
        where = connection.execute(text("SELECT DISTINCT practice_id, tableoid::regclass::text FROM message")).all()
        options = connection.execute(
            text("SELECT DISTINCT reloptions::text FROM pg_class WHERE relname LIKE 'message_of_%' AND relkind = 'r'")
        ).scalars()
        assert len(partitions(connection)) == 4
        assert len(where) == len({practice for practice, _ in where}) == 5
        assert len({partition for _, partition in where}) > 1
        assert all("autovacuum_vacuum_scale_factor=0.01" in each for each in options)


def test_the_keys_still_hold_and_numbers_go_on(parted: Database) -> None:
    (new,) = store(parted, row(1000))
    assert new == 501
    with pytest.raises(IntegrityError):
        store(parted, row(1000))
    with pytest.raises(IntegrityError):
        store(parted, row(1001, enrollment_id=77))
    with pytest.raises(IntegrityError):
        store(parted, row(1001, state="sending"))
    repeat = {"practice_id": "main", "repeats_id": 5}
    with parted.writing() as session, pytest.raises(IntegrityError):
        session.connection().execute(MESSAGES.insert(), [{**row(n), **repeat} for n in (1002, 1003)])


def test_workers_send_everything_once_as_before(parted: Database) -> None:
    store(parted, *soaks(50, first=2000))
    transport = ScriptedTransport(batch_size=10)
    dispatcher(parted, transport).run_once()
    mine = [each for each in messages(parted) if each.practice_id == "main" and each.due_at <= NOON]
    assert sorted(transport.ids) == [each.id for each in mine]
    assert {each.state for each in mine} == {"sent"}
    assert "sent" not in {each.state for each in messages(parted) if each.practice_id != "main"}


def test_a_claim_reads_one_partition_by_its_index_and_settling_reads_none_from_end_to_end(parted: Database) -> None:
    with parted.writing() as session:
        connection = session.connection()
        connection.execute(text("SET LOCAL enable_seqscan = off"))  # a hundred rows are read faster from end to end
        due = outbox._DUE_ON_POSTGRESQL
        values = {"practice_id": "main", "channel": "sms", "level": 3, "now": NOON, "seen": 40, "wanted": 10}
        compiled = due.compile(dialect=connection.dialect, compile_kwargs={"render_postcompile": True})
        plan = "\n".join(connection.exec_driver_sql(f"EXPLAIN {compiled}", {**compiled.params, **values}).scalars())
        by_id = connection.execute(text("EXPLAIN UPDATE message SET detail = 'x' WHERE id = 7")).scalars().all()
    assert len({word for word in plan.split() if word.startswith("message_of_") and word[-1].isdigit()}) == 1
    assert "practice_id_channel_importance_due_at" in plan
    assert "Seq Scan on message_of" not in "\n".join(by_id)


def test_the_newest_schema_is_known_and_a_copy_holds_every_partition(parted: Database, tmp_path: Path) -> None:
    migrate(url_of(parted))
    assert back_up(url_of(parted), tmp_path / "copy", now=NOON).messages == 500


def test_parted_messages_are_sealed_anew_under_a_newer_key(parted: Database) -> None:
    newer = Key.new()
    opened = database.open_database(url_of(parted), Keyring((newer, *KEYS.keys)))
    before = [each.model_dump() for each in messages(parted)]
    assert seal_anew(opened.engine, seals_of(opened.engine.dialect), tell=lambda _done, _total: None) > 500
    assert set(uses(opened.engine)) == {newer.id}
    assert [each.model_dump() for each in messages(opened)] == before
    opened.close()


def test_parting_twice_or_on_sqlite_is_refused(parted: Database, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="already"):
        part_messages(url_of(parted), 4)
    with pytest.raises(InputError, match="only a PostgreSQL"):
        part_messages(fresh_database("sqlite", tmp_path), 4)
    assert set(states(parted)) == {"scheduled"}
