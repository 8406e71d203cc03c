"""What nobody answered and what does not arrive, found alike in both databases; and the work of recurring jobs."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from reminders.records import concerns, overview, silence
from reminders.records.concerns_once import open_once
from reminders.records.database import Database
from reminders.records.done_once import is_first_time
from reminders.records.tables import Enrollment, Reply
from tests.records.test_concerns_once import TROUBLE
from tests.stored import NOON, add_course, change_contact, row, store

HOUR = timedelta(hours=1)
ROW = row() | {"repeats_id": None, "unanswered_at": None, "settled_at": None}
ASKED: dict[str, Any] = {"key": "checkin", "asks": "yes_no", "state": "sent", "handed_at": NOON, "settled_at": NOON}


def unanswered(database: Database) -> list[int | None]:
    with database.writing() as session:
        between = {"since": NOON - HOUR, "until": NOON + HOUR}
        found = silence.unanswered_questions(session, "main", **between)
        assert silence.has_unanswered(session, "main", **between) is bool(found)
        return [each.occurrence for each in found]


def answer(database: Database, **changes: Any) -> None:
    plain: dict[str, Any] = {
        "practice_id": "main", "patient_id": 1, "channel": "sms", "sender": "x", "text": "yes", "after": "none",
        "label": "none", "signs": [], "why": [], "received_at": NOON,
    }  # fmt: skip
    with database.writing() as session:
        session.add(Reply(**(plain | changes)))


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        pytest.param({}, [1], id="asked"),
        pytest.param({"asks": "pain", "state": "delivered"}, [1], id="a-score"),
        pytest.param({"state": "uncertain"}, [1], id="perhaps-asked"),
        pytest.param({"asks": "visit"}, [], id="no-check-in"),
        pytest.param({"asks": None}, [], id="no-question"),
        pytest.param({"state": "failed"}, [], id="never-arrived"),
        pytest.param({"settled_at": NOON - 2 * HOUR}, [], id="long-ago"),
        pytest.param({"settled_at": NOON + 2 * HOUR}, [], id="just-now"),
        pytest.param({"repeats_id": 77}, [], id="the-second-question"),
        pytest.param({"unanswered_at": NOON}, [], id="noted-before"),
    ],
)
def test_which_questions_have_no_answer(database: Database, changes: dict[str, Any], found: list[int]) -> None:
    add_course(database)
    store(database, ROW | ASKED | changes)
    assert unanswered(database) == found


def test_an_answer_after_it_counts_and_one_before_does_not(database: Database) -> None:
    add_course(database)
    store(database, ROW | ASKED)
    answer(database, received_at=NOON - HOUR)
    answer(database, received_at=NOON + HOUR, written_by="machine")
    assert unanswered(database) == [1]
    answer(database, received_at=NOON + HOUR)
    assert unanswered(database) == []


def test_neither_paused_courses_nor_stopped_addresses_count(database: Database) -> None:
    add_course(database)
    store(database, ROW | ASKED)
    change_contact(database, "stopped")
    assert unanswered(database) == []
    change_contact(database, "active")
    with database.writing() as session:
        enrollment = session.get(Enrollment, 1)
        assert enrollment is not None
        enrollment.paused_at = NOON
    assert unanswered(database) == []


def test_silence_is_noted_once(database: Database) -> None:
    add_course(database)
    (message_id,) = store(database, ROW | ASKED)
    with database.writing() as session:
        assert silence.note_unanswered(session, message_id, NOON)
        assert not silence.note_unanswered(session, message_id, NOON)


def test_a_course_of_which_nothing_arrives_is_found(database: Database) -> None:
    add_course(database)
    failed = {"state": "failed", "handed_at": NOON}
    store(
        database,
        ROW | failed | {"occurrence": 1, "settled_at": NOON},
        ROW | failed | {"occurrence": 2, "settled_at": NOON + HOUR},
    )
    with database.reading() as session:
        assert silence.nothing_arrives(session, "main") == ((1, 1, 2, NOON + HOUR),)
    store(database, ROW | ASKED | {"settled_at": NOON + 2 * HOUR})
    with database.reading() as session:
        assert silence.nothing_arrives(session, "main") == ()


def test_what_is_done_once_is_not_done_again(database: Database) -> None:
    for what, first in (("digest", True), ("digest", False), ("other", True)):
        with database.writing() as session:
            assert is_first_time(session, "main", what, NOON) is first


def test_the_overview_counts_what_waits_and_failed(database: Database) -> None:
    add_course(database)
    store(database, ROW | ASKED, ROW | {"occurrence": 2}, ROW | {"occurrence": 3, "state": "failed"})
    answer(database)
    with database.writing() as session:
        concern_id = open_once(session, TROUBLE, by="delivery")
    with database.reading() as session:
        (course,) = overview.running_courses(session, "main", since=NOON - HOUR)
        assert (course.enrollment_id, course.waiting, course.failed) == (1, 1, 1)
        assert overview.last_replies(session, "main", since=NOON) == {1: NOON}
        assert overview.open_by_patient(session, "main") == {1: (concern_id,)}


def test_a_concern_is_counted_up_once_for_each_step(database: Database) -> None:
    add_course(database)
    with database.writing() as session:
        open_once(session, TROUBLE, by="delivery")
    with database.writing() as session:
        assert concerns.must_notify(session, "main", NOON)
        (concern,) = concerns.concerns_to_notify(session, "main", NOON)
        assert concerns.count_step(session, concern.id or 0, steps=0, notify_at=NOON + HOUR)
        assert not concerns.count_step(session, concern.id or 0, steps=0, notify_at=NOON + HOUR)
    with database.reading() as session:
        assert not concerns.must_notify(session, "main", NOON)
        assert concerns.next_notice_at(session, "main") == NOON + HOUR
        assert concerns.last_about(session, "main", "delivery", TROUBLE.about) == NOON
        assert concerns.open_about(session, "main", "delivery", TROUBLE.about) == 1
