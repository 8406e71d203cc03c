"""Messages a second into the database, 30 to a commit, as one course after the other is enrolled."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from reminders.records.bulk import insert_messages
from reminders.records.tables import Message
from tests.benchmarks.backlog import PER_COURSE, Figure, add_people, course_rows, new_database
from tests.benchmarks.scheduler_store import insertions_per_second

_PEER = 1_000


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure the bulk insert, what it would be with objects, and the peer."""
    ways: dict[str, Callable[[Session, list[dict[str, Any]]], object]] = {
        "messages_per_second": insert_messages,
        "messages_per_second_as_objects": lambda session, rows: session.add_all(Message(**each) for each in rows),
    }
    database = new_database(url, folder)
    courses = max(1, (n or 30_000) // PER_COURSE)
    values = []
    for at, (figure, way) in enumerate(ways.items()):
        numbers = range(2 + at * courses, 2 + (at + 1) * courses)
        with database.writing() as session:
            add_people(session, numbers)
        rows = [course_rows(number) for number in numbers]
        began = time.perf_counter()
        for each in rows:
            with database.writing() as session:
                way(session, each)
        values.append(courses * PER_COURSE / (time.perf_counter() - began))
        yield {"figure": figure, "n": courses * PER_COURSE, "value": round(values[-1])}
    peer = insertions_per_second(_PEER, folder)
    yield {
        "figure": "peer_messages_per_second",
        "peer": "APScheduler SQLAlchemyJobStore",
        "n": _PEER,
        "value": round(peer),
    }
    yield {"figure": "ratio_to_peer", "value": round(values[0] / peer, 1)}
    yield {"figure": "ratio_to_objects", "value": round(values[0] / values[1], 1)}
    database.close()
