"""Makes a database with a backlog: courses of 30 messages each, as a practice would have them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert, text
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.care.quiet_hours import QuietHours
from reminders.clock import Clock
from reminders.delivery.dispatcher import Dispatcher, DispatchRules
from reminders.delivery.gate import Gate
from reminders.delivery.transports import Transport
from reminders.delivery.transports.file import FileTransport
from reminders.records.bulk import insert_messages
from reminders.records.database import Database
from reminders.records.tables import Contact, Enrollment, Patient
from tests.servers import migrate, open_database
from tests.stored import APPROVED, PHONE, add_course, row

Figure = Mapping[str, Any]
START = datetime(2026, 6, 1, 16, 0, tzinfo=UTC)
ALL_DUE = START + timedelta(days=60, hours=3)
"""By then every message of the backlog is due, and none is stale."""
PER_COURSE = 30
_MADE = 500
"""Courses that are made one by one; further ones are copies."""
_TEXT = (
    "Example Practice: Soak the toe in warm water for ten minutes, pat it dry, put on a thin layer of ointment and"
    " a dry dressing. Questions: 212-555-0100"
)
_REASONS = [{"rule": "timing", "text": "19:00 on day 3"}, {"rule": "quiet_hours", "text": "not in quiet hours"}]


def new_database(url: str | None, folder: Path, name: str = "backlog") -> Database:
    """Return an empty database with the practice `main`: at `url`, or a SQLite file in `folder`."""
    chosen = url or f"sqlite:///{folder / name}.db"
    migrate(chosen)
    database = open_database(chosen)
    add_course(database, at=START)
    return database


def fill(database: Database, n: int, *, start: datetime = START) -> None:
    """Store `n` messages of as many courses as it takes, from `start` on; patient and course 1 are there already.

    Many are copies of the first ones by the database itself: five million take minutes, not an hour.
    """
    courses = -(-n // PER_COURSE)
    numbers = range(1, min(courses, _MADE) + 1)
    with database.writing() as session:
        add_people(session, numbers[1:])
        insert_messages(session, [each for number in numbers for each in course_rows(number, start)][:n])
    for copied in range(_MADE, courses, _MADE):
        with database.writing() as session:
            _copy(session, copied, min(_MADE, courses - copied), n - copied * PER_COURSE)
    if database.engine.dialect.name == "postgresql":
        with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("SET statement_timeout = 0"))
            connection.execute(text("VACUUM ANALYZE"))


def _copy(session: Session, by: int, courses: int, most: int) -> None:
    """Copy the first courses, with patients whose numbers are higher by so many; sealed values open in any row."""
    connection = session.connection()
    on_postgresql = connection.dialect.name == "postgresql"
    later = timedelta(seconds=by * 7 % (14 * 86_400))  # what is due together is stored far apart, here as well
    shift = f"INTERVAL '{later.total_seconds()} s'" if on_postgresql else f"{later // timedelta(microseconds=1)}"
    patient = f"patient_id + {by}"
    course = {"enrollment_id": f"enrollment_id + {by}", "due_at": f"due_at + {shift}"}
    moved: dict[str, dict[str, str]] = {
        "patient": {"id": f"id + {by}"},
        "contact": {"patient_id": patient},
        "enrollment": {"id": f"id + {by}", "patient_id": patient},
        "message": {"patient_id": patient, **course},
    }
    for table, changes in moved.items():
        columns = (each.name for each in SQLModel.metadata.tables[table].columns)
        values = {name: changes.get(name, name) for name in columns if name != "id" or name in changes}
        key = "id" if table == "patient" else "patient_id"
        limit = f"ORDER BY id LIMIT {most}" if table == "message" else ""
        connection.exec_driver_sql(
            f"INSERT INTO {table} ({', '.join(values)}) SELECT {', '.join(values.values())} FROM {table}"
            f" WHERE {key} <= {courses} {limit}"
        )


def course_rows(number: int, start: datetime = START) -> list[dict[str, Any]]:
    """Return the messages of one course; each began at another time, so what is due together is stored far apart."""
    began = start + timedelta(seconds=number * 7919 % (14 * 86_400))
    return [
        row(
            occurrence,
            enrollment_id=number,
            patient_id=number,
            due_at=began + timedelta(hours=11 * occurrence),
            useful_until=start + (ALL_DUE - START) + timedelta(days=1),
            importance=1 + occurrence % 7,
            in_doubt="hold" if occurrence % 3 else "resend",
            text=_TEXT,
            reasons=_REASONS,
        )
        for occurrence in range(1, PER_COURSE + 1)
    ]


def add_people(session: Session, numbers: Iterable[int]) -> None:
    """Store a patient with a number and a course for each."""
    given = list(numbers)
    if not given:
        return
    who = {"practice_id": "main", "first_name": "Robin", "last_name": "Invented", "language": "en", "slots": {}}
    where = {"zone": "America/Los_Angeles", "night_contact_agreed": False, "created_at": START}
    session.connection().execute(insert(Patient), [{"id": n, **who, **where} for n in given])
    reached = {"practice_id": "main", "channel": "sms", "address": PHONE, "state": "active"}
    session.connection().execute(insert(Contact), [{"patient_id": n, **reached} for n in given])
    course = {
        "practice_id": "main",
        "procedure": "invented",
        "plan_version": 1,
        "content_hash": APPROVED,
        "procedure_on": START.date(),
        "procedure_end": START,
        "facts": {},
        "state": "active",
        "enrolled_by": "desk",
        "enrolled_at": START,
    }
    session.connection().execute(insert(Enrollment), [{"id": n, "patient_id": n, **course} for n in given])


def file_dispatcher(
    database: Database, folder: Path, clock: Clock, *, quiet: tuple[str, ...] = ("21:00-08:00",)
) -> Dispatcher:
    """Return a worker that writes to files in `folder`, durably."""
    return worker_over(database, FileTransport(folder, now=clock.now, letterheads={}), clock, quiet=quiet)


def worker_over(
    database: Database, transport: Transport, clock: Clock, *, quiet: tuple[str, ...] = ("21:00-08:00",)
) -> Dispatcher:
    """Return a worker of the practice `main` over a transport."""
    rules = DispatchRules(
        gate=Gate(quiet_hours={"main": QuietHours.every_day(*quiet)}),
        concern_due=lambda _, opened_at: opened_at + timedelta(days=1),
    )
    return Dispatcher(database, clock, {"sms": transport}, rules)
