"""Tasks of a course for staff as they are kept: each becomes one concern, whoever asks and whoever dies."""

from __future__ import annotations

import os
import signal
import threading
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import event

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.config import Config
from reminders.desk.staff_tasks import open_due_tasks
from reminders.records.database import Database
from reminders.records.staff_tasks import (
    NewTask,
    add_tasks,
    cancel_tasks,
    coming_tasks,
    due_tasks,
    mark_opened,
    replace_waiting,
    tasks_of,
)
from tests.servers import open_database
from tests.stored import NOON, add_course, concerns


def _task(occurrence: int = 1, *, enrollment_id: int = 1, key: str = "result_given", after: int = 0) -> NewTask:
    """A task that comes up some hours after noon."""
    return {
        "enrollment_id": enrollment_id,
        "key": key,
        "occurrence": occurrence,
        "practice_id": "main",
        "says": "Was the result given?",
        "due_at": NOON + timedelta(hours=after),
        "state": "waiting",
    }


def _store(database: Database, *tasks: NewTask) -> None:
    with database.writing() as session:
        add_tasks(session, tasks)


def _states(database: Database, enrollment_id: int = 1) -> list[tuple[str, int, str]]:
    with database.reading() as session:
        return [(each.key, each.occurrence, each.state) for each in tasks_of(session, enrollment_id)]


def _open(database: Database, tmp_path: Path, *, after: int = 0) -> int:
    practice = {"name": "Example Foot Care", "zone": "America/Chicago", "phone": "312-555-0100"}
    config = Config.model_validate({"demo": True, "practice": practice, "folder": tmp_path})
    return open_due_tasks(database, App(config, VirtualClock(NOON + timedelta(hours=after))).desk)


def test_tasks_are_found_once_their_moment_has_come_the_earliest_first(database: Database) -> None:
    add_course(database)
    _store(database, _task(2, after=2), _task(1, after=1), _task(3, after=3))
    with database.writing() as session:
        due = due_tasks(session, "main", NOON + timedelta(hours=2))
        elsewhere = due_tasks(session, "another", NOON + timedelta(hours=2))
        coming = coming_tasks(session, "main", NOON + timedelta(days=1))
    assert [(each.occurrence, each.patient_id, each.procedure) for each in due] == [
        (1, 1, "invented"),
        (2, 1, "invented"),
    ]
    assert elsewhere == []
    assert [each.occurrence for each in coming] == [1, 2, 3]


def test_a_course_planned_anew_has_its_new_tasks_and_what_became_a_concern_stays(
    database: Database, tmp_path: Path
) -> None:
    add_course(database)
    _store(database, _task(1), _task(1, key="moved", after=5), _task(1, key="gone", after=6))
    assert _open(database, tmp_path) == 1
    with database.writing() as session:
        replace_waiting(session, 1, [_task(1, after=50), _task(1, key="moved", after=7), _task(1, key="new", after=8)])
    assert _states(database) == [
        ("result_given", 1, "opened"),
        ("gone", 1, "cancelled"),
        ("moved", 1, "waiting"),
        ("new", 1, "waiting"),
    ]
    assert _open(database, tmp_path, after=60) == 2
    assert len(concerns(database)) == 3


def test_a_cancelled_task_comes_back_when_the_course_asks_for_it_again(database: Database, tmp_path: Path) -> None:
    add_course(database)
    _store(database, _task())
    with database.writing() as session:
        assert cancel_tasks(session, 1) == 1
    assert _open(database, tmp_path) == 0
    with database.writing() as session:
        replace_waiting(session, 1, [_task()])
    assert _open(database, tmp_path) == 1


def test_a_task_that_does_not_wait_any_more_is_not_marked(database: Database, tmp_path: Path) -> None:
    add_course(database)
    _store(database, _task())
    with database.writing() as session:
        (task,) = due_tasks(session, "main", NOON)
    _open(database, tmp_path)
    (concern,) = concerns(database)
    with database.writing() as session:
        assert not mark_opened(session, task, concern.id or 0)


def test_two_workers_open_each_task_once(database_url: str, tmp_path: Path) -> None:
    databases = [open_database(database_url) for _ in range(2)]
    add_course(databases[0], courses=20)
    _store(databases[0], *(_task(number, enrollment_id=course) for course in range(1, 21) for number in range(1, 6)))
    start = threading.Barrier(2)

    def work(database: Database) -> None:
        start.wait()
        while _open(database, tmp_path):
            pass

    workers = [threading.Thread(target=work, args=(each,)) for each in databases]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    opened = [(each.enrollment_id, each.id) for each in concerns(databases[0])]
    assert len(opened) == 100
    with databases[0].reading() as session:
        assert sorted(opened) == sorted((n, each.concern_id) for n in range(1, 21) for each in tasks_of(session, n))
    for each in databases:
        each.close()


@pytest.mark.parametrize("moment", ["before the commit", "after it"])
def test_a_worker_killed_while_it_opens_leaves_one_concern_in_the_end(
    database_url: str, tmp_path: Path, moment: str
) -> None:
    stored = open_database(database_url)
    add_course(stored)
    _store(stored, _task(1), _task(2))
    stored.close()
    child = os.fork()
    if not child:
        try:
            database = open_database(database_url)
            if moment == "before the commit":
                event.listen(database.engine, "commit", lambda _connection: os.kill(os.getpid(), signal.SIGKILL))
            _open(database, tmp_path)
        finally:
            os.kill(os.getpid(), signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    database = open_database(database_url)
    assert len(concerns(database)) == (0 if moment == "before the commit" else 2)
    _open(database, tmp_path)
    assert len(concerns(database)) == 2
    assert [state for _, _, state in _states(database)] == ["opened", "opened"]
    database.close()
