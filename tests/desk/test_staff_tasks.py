"""What a plan lets staff see to: kept at enrollment, opened as a concern on its day, and moved with the course."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from reminders.desk import steer_course as steer
from reminders.desk.concerns import CallBack, close_concern
from reminders.desk.end_course import cancel_course
from reminders.desk.staff_tasks import open_due_tasks, tasks_of_course
from tests.build import LEAD, PLANS
from tests.desk.conftest import Opener
from tests.desk.office import Office, at, wall

RESULT_DAY = "2026-06-24T08:00"  # day 14 after the 10th
BEFORE_THE_VISIT = """
[[staff_task]]
key = "shoes"
says = "Was the patient told to bring open shoes?"
when = [{ before_visit_days = 1, at = "morning" }]
source = "invented"
"""
WHY = steer.Decision(by="N. Nurse", reason="wants no messages")


def enroll(office: Office, **facts: Any) -> int:
    return office.enroll(**({"procedure": "punch-biopsy", "site": "left arm"} | facts)).enrollment_id


def open_tasks(office: Office, moment: str) -> int:
    office.clock.move_to(at(moment))
    return open_due_tasks(office.database, office.desk)


def tasks(office: Office, enrollment_id: int = 1) -> list[tuple[str, str, str]]:
    with office.database.reading() as session:
        return [(each.key, wall(each.due_at), each.state) for each in tasks_of_course(session, enrollment_id)]


def test_a_task_becomes_a_routine_concern_on_its_day_once(office: Office) -> None:
    enroll(office)
    assert open_tasks(office, "2026-06-24T07:59") == 0
    assert open_tasks(office, RESULT_DAY) == 1
    assert open_tasks(office, RESULT_DAY) == 0
    (concern,) = office.concerns()
    assert (concern.kind, concern.urgency, concern.enrollment_id) == ("task", "routine", 1)
    assert concern.summary == "Was the result given to the patient and recorded? (punch-biopsy)"
    assert wall(concern.due_at) == "2026-06-25 17:30"  # the next working day, before the practice closes
    (line,) = office.history(concern.id or 0)
    assert (line.action, line.by, line.note) == ("opened", "plan", "result_given 1")
    assert tasks(office) == [("result_given", "2026-06-24 08:00", "opened")]


def test_a_task_that_comes_up_when_nobody_is_there_is_due_by_working_days(office: Office) -> None:
    enroll(office, settings={"result_day": "10"})  # a Saturday
    assert open_tasks(office, "2026-06-20T08:00") == 1
    assert [wall(each.due_at) for each in office.concerns()] == ["2026-06-22 17:30"]


def test_a_task_found_late_is_not_due_in_the_past(office: Office) -> None:
    enroll(office)
    assert open_tasks(office, "2026-07-10T09:00") == 1  # a Friday; the program stood still
    assert [wall(each.due_at) for each in office.concerns()] == ["2026-07-13 17:30"]


def test_a_closed_task_is_not_opened_again(office: Office) -> None:
    enroll(office)
    open_tasks(office, RESULT_DAY)
    with office.database.writing() as session:
        close_concern(session, office.desk, 1, CallBack(outcome="reached"), by="N. Nurse")
    office.replan(1, settings={"result_day": 16})
    assert open_tasks(office, "2026-07-10T09:00") == 0
    assert len(office.concerns()) == 1


def test_a_changed_setting_moves_the_task(office: Office) -> None:
    enroll(office)
    office.replan(1, settings={"result_day": 21})
    assert tasks(office) == [("result_given", "2026-07-01 08:00", "waiting")]
    assert open_tasks(office, RESULT_DAY) == 0


def test_a_factor_that_is_taken_back_takes_its_task_along_and_brings_it_again(office: Office) -> None:
    enroll(office, procedure="cyst-excision", factors=("sent_to_lab",))
    assert [state for _, _, state in tasks(office)] == ["waiting"]
    office.replan(1, factors=frozenset())
    assert [state for _, _, state in tasks(office)] == ["cancelled"]
    assert open_tasks(office, RESULT_DAY) == 0
    office.replan(1, factors=frozenset({"sent_to_lab"}))
    assert open_tasks(office, RESULT_DAY) == 1


def test_a_moved_visit_moves_a_task_that_counts_from_it(office_at: Opener, tmp_path: Path) -> None:
    for name in ("shared", LEAD):
        shutil.copytree(PLANS / name, tmp_path / "own" / name)
    with (tmp_path / "own" / LEAD / "plan.toml").open("a", encoding="utf-8") as file:
        file.write(BEFORE_THE_VISIT)
    office = office_at(templates=tmp_path / "own")
    enroll(office, procedure=LEAD, visit="2026-06-20T10:00")
    assert tasks(office) == [("shoes", "2026-06-19 08:00", "waiting")]
    office.replan(1, visit=at("2026-06-25T10:00"))
    assert tasks(office) == [("shoes", "2026-06-24 08:00", "waiting")]
    office.replan(1, visit=None)  # not booked any more: it is expected on day 14
    assert tasks(office) == [("shoes", "2026-06-23 08:00", "waiting")]


def test_a_cancelled_course_opens_no_task(office: Office) -> None:
    enroll(office)
    with office.database.writing() as session:
        cancel_course(session, office.desk, 1, by="N. Nurse", reason="enrolled by mistake")
    assert tasks(office) == [("result_given", "2026-06-24 08:00", "cancelled")]
    assert open_tasks(office, RESULT_DAY) == 0


@pytest.mark.parametrize("step", [steer.end_course, steer.pause_course])
def test_a_result_is_owed_to_a_patient_who_gets_no_messages_any_more(office: Office, step: Any) -> None:
    enroll(office)
    with office.database.writing() as session:
        step(session, office.desk, 1, WHY)
    assert open_tasks(office, RESULT_DAY) == 1


def test_a_patient_who_stops_the_messages_is_owed_the_result_all_the_same(office: Office) -> None:
    enroll(office)
    office.reply("STOP")
    assert open_tasks(office, RESULT_DAY) == 1


def test_two_courses_of_one_visit_have_a_task_each(office: Office) -> None:
    enroll(office)
    enroll(office, procedure="shave-biopsy-curettage", site="right arm")
    assert open_tasks(office, RESULT_DAY) == 2
    assert sorted(each.enrollment_id or 0 for each in office.concerns()) == [1, 2]


def test_a_plan_without_tasks_has_nothing_to_open(office: Office) -> None:
    office.enroll()
    assert tasks(office) == []
    assert open_tasks(office, "2026-12-01T09:00") == 0


def test_the_jobs_of_the_desk_open_tasks(office: Office) -> None:
    enroll(office)
    office.clock.move_to(at(RESULT_DAY))
    (job,) = [each for each in office.app.desk_jobs() if each.name == "tasks"]
    job.run()
    assert [each.kind for each in office.concerns()] == ["task"]
