"""Enrollments a second, everything included: what was typed is read, planned, worded and stored for good."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import func, select

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.config import Config
from reminders.desk.course_facts import CourseInput
from reminders.desk.enroll_list import ListRules, RowState, enroll_list
from reminders.desk.read_enrollment import EnrollmentInput
from reminders.exchange.enrollment_csv import EnrollmentRow
from reminders.records.database import Database
from reminders.records.practices import put_practice
from reminders.records.tables import MESSAGES
from tests.benchmarks.backlog import Figure, new_database
from tests.benchmarks.scheduler_store import insertions_per_second
from tests.build import LEAD

_PEER = 1_000
_FACTORS = ("none", "none", "diabetes", "blood_thinner_not_warfarin", "child", "adhesive_allergy")
_ZONES = ("America/Chicago", "America/Chicago", "America/Denver")
_AREAS = (
    205, 210, 214, 217, 224, 225, 228, 251, 254, 256, 262, 270, 281, 309, 312, 314, 316, 318, 319, 320, 331, 334, 337,
    361, 405, 409, 414, 417, 430, 432, 469, 479, 501, 504, 507, 512, 515, 563, 573, 580, 601, 608, 612, 615, 618, 630,
)  # fmt: skip
"""Area codes of Central Time; 555-0100 to 555-0199 is kept for fiction in each."""
_NOW = datetime(2026, 6, 10, 17, 30, tzinfo=ZoneInfo("America/Chicago"))


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure enrollments of about thirty messages each, and the peer's insertions of as many jobs."""
    count = n or 4_000
    database = new_database(url, folder)
    app = _practice(database, folder)
    given = [_given(number) for number in range(count)]
    _enroll(app, database, [_given(count)])  # templates are compiled once in the life of a program
    before = _messages(database)
    spent = _enroll(app, database, given)
    messages = (_messages(database) - before) / count
    rate = count / spent
    yield {"figure": "enrollments_per_second", "n": count, "value": round(rate)}
    yield {"figure": "messages_per_enrollment", "value": round(messages, 1)}
    peer = insertions_per_second(_PEER, folder) / messages
    yield {
        "figure": "peer_enrollments_per_second",
        "peer": "APScheduler SQLAlchemyJobStore, one job for each message",
        "n": _PEER,
        "value": round(peer, 1),
    }
    yield {"figure": "ratio_to_peer", "value": round(rate / peer, 1)}
    database.close()


def _practice(database: Database, folder: Path) -> App:
    practice = {"name": "Example Foot Care", "zone": "America/Chicago", "phone": "312-555-0100"}
    app = App(Config.model_validate({"demo": True, "practice": practice, "folder": folder}), VirtualClock(_NOW))
    with database.writing() as session:
        put_practice(session, app.desk.practice_id, "Example Foot Care", at=_NOW)
    return app


def _enroll(app: App, database: Database, given: Sequence[EnrollmentRow]) -> float:
    """Enroll patients as a list is read; return how many seconds it took."""
    everybody = EnrollmentInput(
        procedure=LEAD,
        first_name="",
        course=CourseInput(end="", zone="America/Chicago", visit="2026-06-24T10:00"),
        consent=True,
        recorded_by="front desk",
    )
    began = time.perf_counter()
    result = enroll_list(database, app.desk, given, everybody, ListRules())
    spent = time.perf_counter() - began
    faulty = result.of(RowState.FAULTY)
    if faulty or len(result.rows) != len(given):
        raise AssertionError(f"{len(faulty)} rows were faulty: {faulty[:1]}")
    return spent


def _given(number: int) -> EnrollmentRow:
    """An invented patient of a long day."""
    values = {
        "first_name": f"Patient{number % 300}",
        "last_name": f"Invented {number}",
        "phone": f"({_AREAS[number // 100 % len(_AREAS)]}) 555-01{number % 100:02}",
        "end": (_NOW - timedelta(minutes=number % 480)).strftime("%Y-%m-%dT%H:%M"),
        "zone": _ZONES[number % len(_ZONES)],
        "factors": _FACTORS[number % len(_FACTORS)],
        "set:stop_day": "9",
    }
    if number % 2:
        values["set:anaesthetic"] = "lidocaine"
    return EnrollmentRow(line=number + 2, values=values, problems=())


def _messages(database: Database) -> int:
    with database.reading() as session:
        return session.execute(select(func.count()).select_from(MESSAGES)).scalar_one()
