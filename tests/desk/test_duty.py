"""Who is on duty when, across midnights, exceptions and clock changes."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from reminders.config_desk import DutySection
from reminders.desk.duty import Duty
from reminders.desk.duty_list import duty_of
from reminders.errors import ConfigError
from tests.desk.office import CHICAGO, at, wall
from tests.desk.test_opening_hours import HOURS

WEEK = ["monday", "tuesday", "wednesday", "thursday", "friday"]
PEOPLE = {
    "nurse": {"name": "N. Nurse", "phone": "312-555-0141", "email": "nurse@example.org"},
    "doctor": {"name": "D. Doctor", "phone": "312-555-0142"},
    "partner": {"name": "P. Partner", "email": "partner@example.org"},
}
SHIFTS = [
    {"days": WEEK, "hours": "08:30-17:30", "people": ["nurse", "doctor"]},
    {"days": WEEK, "hours": "17:30-08:30", "people": ["doctor", "partner"]},
    {"dates": ["2026-12-25"], "people": ["partner"]},
]


def duty(**settings: Any) -> Duty:
    section = DutySection.model_validate({"people": PEOPLE, "shifts": SHIFTS} | settings)
    return duty_of(section, zone=CHICAGO, region="US", at=at("2026-06-10T10:30"))


@pytest.mark.parametrize(
    ("moment", "names"),
    [
        pytest.param("2026-06-10T08:30", ["N. Nurse", "D. Doctor"], id="a-shift-begins"),
        pytest.param("2026-06-10T08:29", ["D. Doctor", "P. Partner"], id="the-night-before-goes-on"),
        pytest.param("2026-06-10T17:30", ["D. Doctor", "P. Partner"], id="and-ends-at-its-end"),
        pytest.param("2026-06-11T03:00", ["D. Doctor", "P. Partner"], id="through-midnight"),
        pytest.param("2026-06-13T03:00", ["D. Doctor", "P. Partner"], id="fridays-night-is-on-saturday"),
        pytest.param("2026-06-13T12:00", ["N. Nurse", "D. Doctor", "P. Partner"], id="no-shift-means-everybody"),
        pytest.param("2026-12-25T12:00", ["P. Partner"], id="an-exception-comes-before-the-week"),
        pytest.param("2026-12-26T00:00", ["D. Doctor", "P. Partner"], id="and-ends-with-its-day"),
        pytest.param("2026-03-07T02:30", ["D. Doctor", "P. Partner"], id="night-of-the-spring-gap"),
    ],
)
def test_who_is_on_duty(moment: str, names: list[str]) -> None:
    assert [person.name for person in duty().on_duty(at(moment))] == names


def test_where_shifts_overlap_everybody_of_both_is_told_in_their_order() -> None:
    always = {"days": [*WEEK, "saturday", "sunday"], "people": ["partner", "doctor"]}
    exception = {"dates": ["2026-06-12"], "hours": "12:00-13:00", "people": ["nurse"]}
    both = duty(shifts=[*SHIFTS, always, exception])
    at_night = ["D. Doctor", "P. Partner"]
    for moment, names in (
        ("2026-06-10T12:00", ["N. Nurse", "D. Doctor", "P. Partner"]),
        ("2026-06-10T20:00", at_night),
        ("2026-06-13T12:00", [*reversed(at_night)]),
        ("2026-06-12T12:00", ["N. Nurse"]),
    ):
        assert [person.name for person in both.on_duty(at(moment))] == names


def test_without_a_list_nobody_is_on_duty() -> None:
    assert duty(people={}, shifts=[]).on_duty(at("2026-06-10T10:30")) == ()


def test_numbers_are_kept_in_the_international_form() -> None:
    assert [person.phone for person in duty().people] == ["+13125550141", "+13125550142", ""]


@pytest.mark.parametrize(
    ("urgency", "opened", "due", "told"),
    [
        pytest.param("emergency", "2026-06-10T03:00", "2026-06-10T03:15", "2026-06-10 03:00", id="at-once-at-night"),
        pytest.param("urgent", "2026-06-10T10:30", "2026-06-10T14:30", "2026-06-10 11:00", id="30-min-of-open-time"),
        pytest.param("urgent", "2026-06-10T03:00", "2026-06-10T09:30", "2026-06-10 09:00", id="30-min-after-opening"),
        pytest.param("urgent", "2026-06-10T17:20", "2026-06-10T17:30", "2026-06-10 17:25", id="due-before-that"),
        pytest.param("urgent", "2026-06-10T03:00", "2026-06-10T08:50", "2026-06-10 08:40", id="due-soon-after-opening"),
        pytest.param("routine", "2026-06-10T10:30", "2026-06-11T17:30", "2026-06-11 17:30", id="routine-when-overdue"),
    ],
)
def test_when_the_first_person_is_told(urgency: str, opened: str, due: str, told: str) -> None:
    moment, _ = duty().first_step_at(urgency, at(opened), at(due), HOURS)
    assert wall(moment) == told


@pytest.mark.parametrize(
    ("urgency", "steps", "told"),
    [
        pytest.param("emergency", 1, "2026-06-10 18:05", id="emergency-every-5-min"),
        pytest.param("emergency", 50, "2026-06-10 18:05", id="emergency-for-ever"),
        pytest.param("urgent", 1, "2026-06-10 18:15", id="urgent-15-min-in-the-first-round"),
        pytest.param("urgent", 2, "2026-06-10 18:15", id="both-of-two-people-are-the-first-round"),
        pytest.param("urgent", 3, "2026-06-10 18:30", id="twice-that-in-the-second"),
        pytest.param("urgent", 99, "2026-06-10 20:00", id="two-hours-at-most"),
        pytest.param("routine", 1, "2026-06-11 08:30", id="what-is-routine-wakes-nobody"),
    ],
)
def test_when_the_next_person_is_told(urgency: str, steps: int, told: str) -> None:
    assert wall(duty().next_step_at(urgency, at("2026-06-10T18:00"), steps, HOURS)) == told


def test_a_pause_longer_than_two_hours_stays_as_the_practice_set_it() -> None:
    slow = duty(step_minutes=240)
    assert slow.next_step_at("urgent", at("2026-06-10T10:00"), 1, HOURS) - at("2026-06-10T10:00") == timedelta(hours=4)


@pytest.mark.parametrize(
    ("settings", "fault"),
    [
        pytest.param({"shifts": [{"days": ["monday"], "people": ["nobody"]}]}, "not among the people", id="unknown"),
        pytest.param({"shifts": [{"people": ["nurse"]}]}, "either days or dates", id="no-day"),
        pytest.param({"shifts": [{"days": ["monday"], "people": []}]}, "at least 1", id="nobody"),
        pytest.param({"shifts": [{"days": ["monday"], "hours": "8-17", "people": ["nurse"]}]}, "look like", id="hours"),
        pytest.param({"shifts": [{"days": ["monday"], "hours": "08:00-24:30", "people": ["nurse"]}]}, "look", id="24"),
        pytest.param({"people": {"x": {"name": "X"}}, "shifts": []}, "a phone or an email", id="out-of-reach"),
        pytest.param({"link": "example.org"}, "http", id="link"),
    ],
)
def test_a_list_that_makes_no_sense_is_refused(settings: dict[str, Any], fault: str) -> None:
    with pytest.raises(ValidationError, match=fault):
        duty(**settings)


def test_every_number_that_is_none_is_named_at_once() -> None:
    with pytest.raises(ConfigError, match=r"duty\.people\.a(.|\n)*duty\.people\.b"):
        duty(people={"a": {"name": "A", "phone": "12"}, "b": {"name": "B", "email": "b"}}, shifts=[])
