"""What a reply and an enrollment look up is found by an index, however many messages there are."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import event
from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.concern_list import list_concerns
from reminders.desk.concerns_in_brief import lately_closed, open_in_brief
from reminders.desk.staff_tasks import open_due_tasks
from tests.desk.office import Office, at

BIG = (
    "message",
    "reply",
    "patient",
    "contact",
    "consent_event",
    "enrollment",
    "staff_task",
    "concern",
    "concern_event",
)
"""Tables that grow with every patient; a look-up may not read one from end to end."""


@contextmanager
def statements(office: Office, *, many: bool = False) -> Iterator[list[tuple[str, Any]]]:
    """Every statement that runs meanwhile, with its parameters; those for `many` rows only when asked for."""
    seen: list[tuple[str, Any]] = []

    def note(*args: Any) -> None:
        _connection, _cursor, statement, parameters, _context, for_many = args
        if many or not for_many:
            seen.append((statement, parameters))

    event.listen(office.database.engine, "before_cursor_execute", note)
    yield seen
    event.remove(office.database.engine, "before_cursor_execute", note)


def scans(office: Office, seen: list[tuple[str, Any]]) -> list[str]:
    """The statements that read a big table from end to end."""
    found = []
    with office.database.reading() as session:
        for statement, parameters in seen:
            if statement.split()[0] not in {"SELECT", "UPDATE", "DELETE"}:
                continue
            plan = session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            if any(row[3].split()[:2] == ["SCAN", table] for row in plan for table in BIG):
                found.append(statement)
    return found


@pytest.mark.parametrize("text", ["there is pus", "7", "STOP", "wrong number", "HELP"])
def test_a_reply_reads_no_table_from_end_to_end(office: Office, text: str) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    with statements(office) as seen:
        office.reply(text, gateway_ref="1")
    assert len(seen) > 3
    assert scans(office, seen) == []


def test_an_enrollment_reads_no_table_from_end_to_end(office: Office) -> None:
    office.enroll(site="left big toe")
    office.play("2026-06-12T10:00")
    with statements(office) as seen:
        office.enroll(site="right big toe", email="robin@example.org")
    assert scans(office, seen) == []


def test_planning_anew_reads_no_table_from_end_to_end(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    with statements(office) as seen:
        office.replan(enrollment, settings={"stop_day": 7})
    assert scans(office, seen) == []


def test_tasks_for_staff_are_found_without_reading_all_of_them(office: Office) -> None:
    office.enroll(procedure="punch-biopsy", site="left arm")
    office.clock.move_to(at("2026-06-24T09:00"))
    with statements(office) as seen:
        assert open_due_tasks(office.database, office.desk) == 1
        office.replan(1, settings={"result_day": 20})
    assert len(seen) > 3
    assert scans(office, seen) == []


@pytest.mark.parametrize("look", [open_in_brief, list_concerns, lately_closed])
def test_a_list_of_concerns_reads_only_what_it_shows(office: Office, look: Callable[[Session, Desk], object]) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    office.reply("there is pus")
    with statements(office) as seen, office.database.reading() as session:
        look(session, office.desk)
    assert seen
    assert scans(office, seen) == []
