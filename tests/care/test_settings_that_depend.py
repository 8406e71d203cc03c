"""Settings that hang on others: a day that starts from a place, a choice that needs another one recorded."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from reminders.care.plan import Plan
from reminders.care.references import reference_faults
from reminders.care.resolving import effective_settings, marks_of, resolve
from reminders.errors import InputError
from tests.build import course_of, hours, instruction, plan_of

PLACE = {"default": "", "choices": ["face", "leg"], "says": "Where", "source": "invented"}
DAY = {
    "default": 10,
    "lowest": 3,
    "highest": 28,
    "unit": "day",
    "says": "When",
    "source": "invented",
    "depends_on": "place",
    "defaults": {"face": 5, "leg": 14},
}
REASON = {
    "default": "spot",
    "choices": ["spot", "mole"],
    "needs": {"mole": "confirmed"},
    "says": "What",
    "source": "invented",
}
CONFIRMED = {"default": "", "choices": ["yes"], "says": "Somebody confirmed it", "source": "invented"}


def plan(**settings: Any) -> Plan:
    return plan_of(instruction("desk"), settings=settings)


def faults(**settings: Any) -> list[str]:
    found = plan(**settings)
    return [message for _, message in reference_faults(found.file, found.factors)]


@pytest.mark.parametrize(
    ("chosen", "day"),
    [({}, 10), ({"place": "face"}, 5), ({"place": "leg"}, 14), ({"place": "leg", "day": 21}, 21), ({"day": 4}, 4)],
)
def test_a_number_starts_from_what_was_recorded_until_somebody_sets_it(chosen: dict[str, int | str], day: int) -> None:
    assert effective_settings(plan(place=PLACE, day=DAY), chosen)["day"] == day


def test_a_choice_that_needs_another_is_refused_without_it() -> None:
    both = plan(reason=REASON, confirmed=CONFIRMED)
    assert effective_settings(both, {})["reason"] == "spot"
    with pytest.raises(InputError, match="reason 'mole' needs confirmed to be recorded: Somebody confirmed it"):
        effective_settings(both, {"reason": "mole"})
    assert effective_settings(both, {"reason": "mole", "confirmed": "yes"})["confirmed"] == "yes"


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"day": DAY}, "'place' is not a setting with choices"),
        ({"place": PLACE | {"choices": ["face"]}, "day": DAY}, "'leg' is not one of face"),
        ({"reason": REASON}, "'confirmed' is not a setting with choices that is left open"),
        ({"reason": REASON, "confirmed": CONFIRMED | {"default": "yes"}}, "left open"),
    ],
)
def test_what_depends_on_nothing_is_a_fault(settings: dict[str, Any], message: str) -> None:
    assert any(message in fault for fault in faults(**settings))


@pytest.mark.parametrize(
    "settings",
    [
        {"place": PLACE, "day": DAY | {"defaults": {"face": 2}}},
        {"place": PLACE, "day": {**DAY, "defaults": {}}},
        {"reason": REASON | {"needs": {"wart": "confirmed"}}, "confirmed": CONFIRMED},
    ],
    ids=["outside the range", "no defaults", "no such choice"],
)
def test_an_impossible_dependence_does_not_load(settings: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        plan(**settings)


def test_numbness_counts_to_the_high_end_of_a_recorded_agent() -> None:
    agent = {"default": "", "choices": "anaesthetics", "says": "Agent", "source": "invented"}
    anchor = {"after": "block_placed", "hours": 25, "or_until_high_of": "agent", "says": "feeling should be back"}
    one = plan_of(instruction("desk"), settings={"agent": agent}, anchors={"numb": anchor})
    course = course_of()
    assert resolve(one, course).anchors["numb"] - course.procedure_end == hours(25)
    # High end of plain lidocaine at a digit, 5 h: Thomson and Lalonde, Plast Reconstr Surg 2006;118(2):429-432.
    recorded = course_of(settings={"agent": "lidocaine"})
    assert resolve(one, recorded).anchors["numb"] - recorded.procedure_end == hours(5)


def test_a_factor_that_does_not_change_the_plan_bars_medicines_and_nothing_else() -> None:
    one = plan_of(instruction("desk"), factors=["diabetes"])
    marks = marks_of(one, frozenset({"child", "diabetes"}), visit_booked=False)
    assert marks == {"diabetes", "no_ibuprofen", "no_acetaminophen", "visit_not_booked"}
