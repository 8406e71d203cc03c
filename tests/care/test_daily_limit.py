"""How a full day is thinned: optional messages give way by importance, required ones never."""

from __future__ import annotations

from typing import Any

import pytest

from reminders.care.timing import parse_local
from reminders.care.values import Outcome
from tests.build import course_of, instruction, plan_of, planned, rules_of

COURSE = course_of("2026-06-10T08:30")


def each(key: str, hour: int, importance: int = 5, **facts: Any) -> dict[str, Any]:
    return instruction(key, when=[{"after": "procedure_end", "hours": hour}], importance=importance, **facts)


def kept(*instructions: dict[str, Any], limit: int = 2, **known: Any) -> str:
    messages = planned(plan_of(*instructions), COURSE, rules_of(daily_limit=limit), **known)
    return " ".join(message.first.key for message in messages if message.outcome is Outcome.SCHEDULED)


def test_a_day_within_the_limit_is_left_alone() -> None:
    assert kept(each("a", 0), each("b", 1)) == "a b"


def test_the_least_important_gives_way() -> None:
    assert kept(each("a", 0, 3), each("b", 1, 7), each("c", 2, 4)) == "a c"


def test_of_equals_the_latest_gives_way() -> None:
    assert kept(each("a", 0), each("b", 1), each("c", 2)) == "a b"


def test_required_ones_stay_even_over_the_limit() -> None:
    required = [each(key, hour, 9, required=True) for hour, key in enumerate("abc")]
    assert kept(*required, each("d", 4, 1)) == "a b c"


def test_each_local_day_counts_for_itself() -> None:
    # 8:30 + 12 h and + 24 h fall on two days of the patient's calendar.
    assert kept(each("a", 0), each("b", 12), each("c", 24), each("d", 25)) == "a b c d"


def test_what_was_sent_or_comes_from_another_course_counts() -> None:
    noon = parse_local("2026-06-10T12:00", COURSE.zone)
    assert kept(each("a", 0), each("b", 1), sent_at=(noon,)) == "a"


def test_a_withheld_message_takes_no_place() -> None:
    dropped = each("a", 14, 1, quiet="withhold")
    assert kept(dropped, each("b", 0), each("c", 1)) == "b c"


def test_a_joined_message_counts_once() -> None:
    assert kept(each("a", 0), each("b", 0), each("c", 3), most=2) == "a c"


def test_a_joined_message_with_a_required_part_stays() -> None:
    assert kept(each("a", 0, 1), each("b", 1, 8), each("c", 1, 9, required=True), each("d", 3, 2), limit=2) == "a b"


def test_the_default_limit_is_five() -> None:
    assert rules_of().daily_limit == 5  # common practice, no source


@pytest.mark.parametrize("limit", [1, 3])
def test_what_gave_way_says_so(limit: int) -> None:
    messages = planned(plan_of(*[each(key, n) for n, key in enumerate("abcdef")]), COURSE, rules_of(daily_limit=limit))
    gone = [message for message in messages if message.outcome is Outcome.WITHHELD]
    assert len(gone) == 6 - limit
    assert {message.reasons[-1].text for message in gone} == {f"gives way: at most {limit} messages a day"}
