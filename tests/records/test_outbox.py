"""Claiming: the right messages, in the right order, by one worker each, and by looking into an index."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.orm import Session

from reminders.care.values import Asks
from reminders.records import outbox
from reminders.records.bulk import insert_messages
from reminders.records.database import Database
from reminders.records.message_changes import Held, accept, change_held
from reminders.records.message_states import MessageEvent
from reminders.records.outbox import Claim, Queue
from reminders.records.tables import Practice
from tests.databases import empty_shared_postgresql, shared_postgresql_url
from tests.servers import open_database
from tests.stored import NOON, add_course, messages, row, soaks, store

MINUTE = timedelta(minutes=1)
SMS = Queue("main", "sms")
EMAIL = Queue("main", "email")


def _due(session: Session, *, limit: int = 100, queue: Queue = SMS) -> list[int]:
    return [each.id for each in outbox.due_messages(session, queue, now=NOON, limit=limit)]


def _claim(token: str, *, lease: timedelta = MINUTE) -> Claim:
    return Claim(token=token, practice_id="main", now=NOON, lease=lease, transport="file")


def test_only_scheduled_messages_of_the_channel_whose_moment_has_come_are_due(database: Database) -> None:
    add_course(database)
    past, now, *_ = store(
        database,
        row(1, due_at=NOON - MINUTE),
        row(2, due_at=NOON),
        row(3, due_at=NOON + timedelta(microseconds=1)),
        row(4, channel="email"),
        *(row(10 + at, state=state) for at, state in enumerate(("withheld", "cancelled", "failed", "at_checkout"))),
    )
    with database.writing() as session:
        assert _due(session) == [past, now]


def test_the_important_go_first_then_the_nearest_deadline(database: Database) -> None:
    add_course(database)
    ids = store(
        database,
        row(1, importance=2, useful_until=NOON + 9 * MINUTE),
        row(2, importance=2, useful_until=NOON + 3 * MINUTE),
        row(3, importance=1, useful_until=NOON + 60 * MINUTE),
        row(4, importance=9, useful_until=NOON + 1 * MINUTE),
        row(5, importance=2, useful_until=NOON + 5 * MINUTE, due_at=NOON - 50 * MINUTE),
    )
    with database.writing() as session:
        assert _due(session) == [ids[2], ids[1], ids[4], ids[0], ids[3]]
        assert _due(session, limit=2) == [ids[2], ids[1]]


def test_the_order_is_the_same_as_sorting_all_of_them(database: Database) -> None:
    add_course(database)
    rows = [row(n, importance=1 + n * 7 % 9, useful_until=NOON + (n * 37 % 100) * MINUTE) for n in range(1, 301)]
    ids = store(database, *rows)
    expected = sorted(
        zip(rows, ids, strict=True), key=lambda pair: (pair[0]["importance"], pair[0]["useful_until"], pair[1])
    )
    with database.writing() as session:
        assert _due(session, limit=120) == [each for _, each in expected][:120]


def test_a_claim_takes_what_is_scheduled_and_no_more(database: Database) -> None:
    add_course(database)
    ids = store(database, row(1), row(2, state="cancelled"))
    with database.writing() as session:
        assert outbox.claim(session, ids, _claim("a")) == 1
        assert outbox.claim(session, ids, _claim("b")) == 0
    taken, cancelled = messages(database)
    assert (taken.state, taken.claim_token, taken.attempts, taken.handed_at) == ("sending", "a", 1, NOON)
    assert (cancelled.state, cancelled.attempts) == ("cancelled", 0)


def test_run_twice_when_busy_never_happens_as_workers_pass_over_each_others_messages(database: Database) -> None:
    add_course(database)
    store(database, *soaks(200))
    taken: dict[str, list[int]] = {"a": [], "b": []}
    start = threading.Barrier(2)

    def work(name: str) -> None:
        start.wait()
        while True:
            with database.writing() as session:
                ids = _due(session, limit=10)
                if not ids:
                    return
                assert outbox.claim(session, ids, _claim(name)) == len(ids)
            taken[name] += ids

    workers = [threading.Thread(target=work, args=(name,)) for name in taken]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(taken["a"] + taken["b"]) == [each.id for each in messages(database)]


def test_four_workers_with_large_batches_find_something_free_at_once() -> None:
    database = open_database(shared_postgresql_url())
    add_course(database)
    store(database, *soaks(2000))
    with ExitStack() as until_all_have_theirs:
        workers = [until_all_have_theirs.enter_context(database.writing()) for _ in range(4)]
        taken = [_due(worker, limit=500) for worker in workers]
    assert [len(each) for each in taken] == [500] * 4
    assert len(set().union(*taken)) == 2000
    database.close()
    empty_shared_postgresql()


def test_the_next_moment_is_the_earliest_of_any_importance(database: Database) -> None:
    add_course(database)
    with database.reading() as session:
        assert outbox.next_due_at(session, SMS) is None
    store(
        database,
        row(1, due_at=NOON + 9 * MINUTE, importance=1),
        row(2, due_at=NOON + 5 * MINUTE, importance=8),
        row(3, due_at=NOON + 2 * MINUTE, channel="email"),
        row(4, due_at=NOON, state="cancelled"),
    )
    with database.reading() as session:
        assert outbox.next_due_at(session, EMAIL) == NOON + 2 * MINUTE
        assert outbox.next_due_at(session, SMS) == NOON + 5 * MINUTE


def test_jobs_stay_doing_for_ever_never_happens_as_the_row_alone_shows_a_lapsed_lease(database: Database) -> None:
    add_course(database)
    ids = store(database, row(1), row(2))
    with database.writing() as session:
        outbox.claim(session, ids[:1], _claim("dead", lease=timedelta(0)))
        outbox.claim(session, ids[1:], _claim("alive", lease=timedelta(days=1)))
    with database.reading() as session:
        (lapsed,) = outbox.lapsed_messages(session, "main", ["sms"], now=NOON, limit=10)
        next_lapse = outbox.next_lapse_at(session, "main")
        assert outbox.lapsed_messages(session, "main", ["email"], now=NOON, limit=10) == ()
    assert (lapsed.id, lapsed.claim_token, lapsed.attempts, lapsed.transport) == (ids[0], "dead", 1, "file")
    assert next_lapse == messages(database)[0].lease_until


def test_a_lease_on_postgresql_runs_by_the_servers_clock(database: Database) -> None:
    add_course(database)
    ids = store(database, row())
    with database.writing() as session:
        outbox.claim(session, ids, _claim("a", lease=MINUTE))
        dialect = session.connection().dialect.name
    (message,) = messages(database)
    assert message.lease_until is not None
    # The claim's own clock says June 2026, at noon; the server's says something else.
    assert (message.lease_until == NOON + MINUTE) == (dialect == "sqlite")


def test_what_the_gate_asks_comes_with_the_message(database: Database) -> None:
    add_course(database)
    store(database, row())
    with database.writing() as session:
        (due,) = outbox.due_messages(session, SMS, now=NOON, limit=1)
    assert (due.contact_state, due.enrollment_state, due.zone) == ("active", "active", "America/Los_Angeles")
    assert due.approved
    assert not due.night_contact_agreed


def test_a_message_to_nobody_known_has_no_contact(database: Database) -> None:
    add_course(database)
    store(database, row(kind="staff", enrollment_id=None, patient_id=None, address="+12025550199"))
    with database.writing() as session:
        (due,) = outbox.due_messages(session, SMS, now=NOON, limit=1)
    assert (due.contact_state, due.enrollment_state, due.zone, due.approved) == (None, None, None, False)


def test_bulk_insert_fills_what_is_left_out_and_takes_enumerated_values(database: Database) -> None:
    add_course(database)
    short = {name: value for name, value in row(asks=Asks.PAIN).items() if value is not None and name != "segments"}
    with database.writing() as session:
        insert_messages(session, [])
        insert_messages(session, [short])
    (message,) = messages(database)
    assert (message.asks, message.segments, message.attempts, message.markdown) == ("pain", 0, 0, None)
    assert message.reasons == [{"rule": "timing", "text": "invented"}]
    assert (message.due_at, message.required) == (NOON, True)


def test_bulk_insert_refuses_rows_that_differ(database: Database) -> None:
    add_course(database)
    longer = row(2) | {"detail": "x", "attempts": 1}
    for rows in ([row(1), longer], [longer, row(1)]):
        with pytest.raises((ValueError, KeyError)), database.writing() as session:
            insert_messages(session, rows)
    assert messages(database) == []


def _statements_of(database: Database, run: Any) -> list[tuple[str, Any]]:
    """What a function sends to the database."""
    seen: list[tuple[str, Any]] = []

    def note(_c: object, _cursor: object, statement: str, parameters: Any, *_rest: object) -> None:
        seen.append((statement, parameters))

    event.listen(database.engine, "before_cursor_execute", note)
    with database.writing() as session:
        run(session)
    event.remove(database.engine, "before_cursor_execute", note)
    return [(statement, parameters) for statement, parameters in seen if "FROM message" in statement]


def _plans_of(database: Database, statements: Sequence[tuple[str, Any]]) -> list[str]:
    plans = []
    with database.engine.connect() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("ANALYZE message"))
        for statement, parameters in statements:
            explain = "EXPLAIN QUERY PLAN " if connection.dialect.name == "sqlite" else "EXPLAIN "
            once = parameters[0] if isinstance(parameters, list) else parameters
            rows = connection.exec_driver_sql(explain + statement, once).all()
            plans.append("\n".join(str(each[-1]) for each in rows))
    return plans


@pytest.fixture
def crowded(database: Database) -> Database:
    """A database in which most messages are sent or wait for another day."""
    add_course(database, courses=200)
    with database.writing() as session:
        for course in range(1, 201):
            states_of = ("scheduled", "withheld", "cancelled")
            insert_messages(
                session,
                [
                    row(n, enrollment_id=course, state=states_of[n % 3], due_at=NOON + timedelta(hours=n - 5))
                    for n in range(1, 31)
                ],
            )
    return database


def _add_practice(database: Database, practice_id: str) -> None:
    with database.writing() as session:
        session.add(Practice(id=practice_id, name="Another Practice", created_at=NOON))


def test_a_practice_has_its_own_queues_in_a_shared_database(database: Database) -> None:
    add_course(database)
    _add_practice(database, "other")
    mine, theirs = store(database, row(1), row(2, practice_id="other", importance=1, due_at=NOON - timedelta(hours=3)))
    lapsing = _claim("theirs", lease=timedelta(0))
    with database.writing() as session:
        assert _due(session) == [mine]
        assert outbox.next_due_at(session, SMS) == NOON
        assert outbox.claim(session, [theirs], lapsing) == 0
        assert outbox.claim(session, [theirs], replace(lapsing, practice_id="other")) == 1
        assert outbox.lapsed_messages(session, "main", ["sms"], now=NOON, limit=10) == ()
        assert outbox.next_lapse_at(session, "main") is None
        assert [each.id for each in outbox.lapsed_messages(session, "other", ["sms"], now=NOON, limit=10)] == [theirs]


@pytest.fixture
def shared(crowded: Database) -> Database:
    """That database, with twenty times as much that waits for another practice."""
    _add_practice(crowded, "other")
    with crowded.writing() as session:
        waiting = [
            row(course * 100 + n, enrollment_id=course, practice_id="other", due_at=NOON - timedelta(days=n))
            for course in range(1, 201)
            for n in range(60)
        ]
        insert_messages(session, waiting)
    return crowded


def test_a_claim_reads_nothing_of_other_practices(shared: Database) -> None:
    def look(session: Session) -> None:
        _due(session, limit=20)
        outbox.next_due_at(session, SMS)
        outbox.lapsed_messages(session, "main", ["sms"], now=NOON, limit=10)
        outbox.next_lapse_at(session, "main")

    statements = _statements_of(shared, look)
    assert len(statements) == 5
    for plan in _plans_of(shared, statements):
        used = [line for line in plan.splitlines() if "ix_message_" in line or "practice_id" in line]
        assert any("practice_id" in line for line in used), plan
        assert "Seq Scan on message" not in plan
        assert "SCAN message" not in plan


def test_a_backlog_costs_nothing_as_the_claim_reads_the_partial_index(crowded: Database) -> None:
    statements = _statements_of(crowded, lambda session: _due(session, limit=20))[:2]
    for plan in _plans_of(crowded, statements):
        assert "ix_message_due" in plan
        assert "SCAN message" not in plan
        assert "Seq Scan on message" not in plan


def test_what_is_named_by_its_id_is_found_by_it_and_not_in_a_whole_queue(shared: Database) -> None:
    """On SQLite a claim once walked through all that waits: ten times dearer before a million than before none.

    On PostgreSQL each message that was settled once walked through all that any worker had in hand.
    """
    seen: list[tuple[str, Any]] = []

    def note(_c: object, _cursor: object, statement: str, parameters: Any, *_rest: object) -> None:
        seen.append((statement, parameters))

    event.listen(shared.engine, "before_cursor_execute", note)
    with shared.writing() as session:
        due = outbox.due_messages(session, SMS, now=NOON, limit=20)
        outbox.messages_named(session, SMS, [each.id for each in due])
        assert outbox.claim(session, [each.id for each in due], _claim("mine")) == 20
        refused, *held = (Held(id=each.id, token="mine") for each in due)
        assert accept(session, "main", [(each, "ref") for each in held], NOON) == 19
        assert change_held(session, MessageEvent.REFUSE, refused, settled_at=NOON)
    event.remove(shared.engine, "before_cursor_execute", note)
    named = [each for each in seen if any(by_id in each[0] for by_id in ("message.id IN", "message.id =", "= ANY"))]
    assert len(named) == 5
    for plan in _plans_of(shared, named):
        lines = plan.splitlines()
        if shared.engine.dialect.name == "sqlite":
            assert "SEARCH message USING INDEX ix_message_due (practice_id=?)" not in lines
            assert "SEARCH message USING INTEGER PRIMARY KEY (rowid=?)" in lines
        else:
            assert any("pk_message" in line for line in lines), plan


def test_looking_for_dead_workers_reads_the_partial_index(crowded: Database) -> None:
    def look(session: Session) -> None:
        outbox.lapsed_messages(session, "main", ["sms"], now=NOON, limit=10)
        outbox.next_lapse_at(session, "main")
        outbox.next_due_at(session, SMS)

    for plan in _plans_of(crowded, _statements_of(crowded, look)):
        assert "ix_message_leased" in plan or "ix_message_due" in plan
        assert "Seq Scan on message" not in plan
