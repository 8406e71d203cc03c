"""The search for what is not known to have arrived reads its index, however much was sent and arrived."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sqlalchemy import event, text

from reminders.records import other_ways
from reminders.records.bulk import insert_messages
from reminders.records.database import Database
from tests.stored import NOON, add_course, row


def test_the_searches_read_the_partial_index(database: Database) -> None:
    add_course(database, courses=100)
    with database.writing() as session:
        for course in range(1, 101):
            arrived: dict[str, Any] = {"handed_at": NOON, "transport": "smpp", "enrollment_id": course}
            insert_messages(session, [row(n, state="delivered", **arrived) for n in range(1, 31)])
    seen: list[tuple[str, Any]] = []

    def note(_c: object, _cursor: object, statement: str, parameters: Any, *_rest: object) -> None:
        seen.append((statement, parameters))

    event.listen(database.engine, "before_cursor_execute", note)
    later = NOON + timedelta(hours=1)
    with database.reading() as session:
        assert not other_ways.has_undelivered(session, "main", ("smpp",), before=later, now=later)
        assert not other_ways.patients_without_word(session, "main", ("smpp",), since=NOON, before=later)
    event.remove(database.engine, "before_cursor_execute", note)
    asked = [each for each in seen if "FROM message" in each[0]]
    assert len(asked) == 2
    with database.engine.connect() as connection:
        on_sqlite = connection.dialect.name == "sqlite"
        if not on_sqlite:
            connection.execute(text("ANALYZE message"))
        explain = "EXPLAIN QUERY PLAN " if on_sqlite else "EXPLAIN "
        for statement, parameters in asked:
            plan = "\n".join(str(each[-1]) for each in connection.exec_driver_sql(explain + statement, parameters))
            assert "ix_message_undelivered" in plan
