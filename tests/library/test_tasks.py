"""What staff have to see to in a course: when it comes up, for whom, and what a plan file may say of it."""

from __future__ import annotations

import pytest

from reminders.care.resolving import resolve
from reminders.care.staff_tasks import due_tasks
from tests.build import course_of, instruction, plan_of, wall
from tests.library.shelf import PROCEDURES, plan_named


@pytest.mark.parametrize(
    ("procedure", "facts", "expected"),
    [
        # 10 to 14 working days are up on day 14: NHS hospital leaflets on biopsies.
        ("punch-biopsy", {}, [("result_given", "2026-06-24 08:00")]),
        ("punch-biopsy", {"settings": {"result_day": 21}}, [("result_given", "2026-07-01 08:00")]),
        ("shave-biopsy-curettage", {}, [("result_given", "2026-06-24 08:00")]),
        ("cyst-excision", {}, []),
        ("cyst-excision", {"factors": ["sent_to_lab"]}, [("result_given", "2026-06-24 08:00")]),
        # Week 20 is day 140: common practice, no source.
        ("vasectomy", {}, [("sample_result", "2026-10-28 08:00")]),
        ("laceration-adhesive", {}, [("tetanus", "2026-06-10 15:35")]),
        ("total-nail-avulsion", {}, [("second_check", "2026-07-22 08:00")]),
        ("tooth-extraction", {}, []),
    ],
)
def test_a_task_comes_up_on_its_day(procedure: str, facts: dict[str, object], expected: list[tuple[str, str]]) -> None:
    course = course_of(**facts)  # type: ignore[arg-type]  # the facts of a course by their names
    found = due_tasks(resolve(plan_named(procedure), course))
    assert [(each.key, wall(each.due_at, course)) for each in found] == expected
    assert all(each.occurrence == 1 and each.says.endswith("?") and each.reason.text for each in found)


def test_tasks_come_in_order_with_a_number_for_each_moment() -> None:
    tasks = [
        {"key": "late", "says": "Late?", "when": [{"on_day": [3, 1], "at": "midday"}], "source": "invented"},
        {"key": "early", "says": "Early?", "when": [{"on_day": 1, "at": "morning"}], "source": "invented"},
    ]
    found = due_tasks(resolve(plan_of(instruction("desk"), staff_task=tasks), course_of()))
    assert [(each.key, each.occurrence) for each in found] == [("early", 1), ("late", 1), ("late", 2)]


def test_a_task_for_some_patients_comes_up_for_them_only() -> None:
    when = [{"on_day": 1, "at": "morning"}]
    tasks = [
        {"key": "a", "says": "A?", "when": when, "only_if_any": ["diabetes"], "source": "invented"},
        {"key": "b", "says": "B?", "when": when, "not_if_any": ["diabetes"], "source": "invented"},
    ]
    plan = plan_of(instruction("desk"), staff_task=tasks, factors=["diabetes"])
    assert [each.key for each in due_tasks(resolve(plan, course_of()))] == ["b"]
    assert [each.key for each in due_tasks(resolve(plan, course_of(factors=["diabetes"])))] == ["a"]


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_what_goes_to_the_laboratory_always_has_somebody_who_asks_for_the_result(procedure: str) -> None:
    file = plan_named(procedure).file
    assert ("result" in {each.key for each in file.instruction}) == (
        "result_given" in {each.key for each in file.staff_task}
    )
