"""What patients of one day share never depends on who came before them."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from reminders.care.loading import load_plan
from reminders.care.plan import Plan
from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, schedule
from reminders.care.values import Course, Joined
from tests.build import LEAD, PLANS, rules_of

_FACTORS = ((), ("diabetes",), ("child",), ("blood_thinner_not_warfarin",), ("adhesive_allergy", "neuropathy"))
_ZONES = tuple(map(ZoneInfo, ("America/Chicago", "America/Denver", "Australia/Lord_Howe", "Europe/London")))


def _courses(seed: int) -> list[Course]:
    """Return invented patients of some few days, clock changes among them, many of them alike."""
    chance = random.Random(seed)
    found = []
    for _ in range(150):
        zone = chance.choice(_ZONES)
        day = datetime(2026, chance.choice((3, 10, 11)), chance.choice((1, 6, 7, 24)), tzinfo=zone)
        end = day.replace(hour=chance.randrange(24), minute=chance.choice((0, 1, 30, 59)))
        visit = (day + timedelta(days=chance.choice((13, 14, 15)))).replace(hour=chance.choice((0, 9, 23)))
        found.append(
            Course(
                procedure_end=end,
                zone=zone,
                language="en",
                factors=frozenset(chance.choice(_FACTORS)),
                settings=chance.choice(({}, {"stop_day": 9}, {"anaesthetic": "lidocaine"})),
                visit=chance.choice((None, visit)),
                night_contact_agreed=chance.choice((False, True)),
            )
        )
    return found


def _planned(plan: Plan, course: Course, not_before: timedelta) -> tuple[Joined, ...]:
    now = Circumstances(not_before=course.procedure_end + not_before)
    return schedule(resolve(plan, course), rules_of("21:00-08:00"), now, fits=lambda members, **_: len(members) <= 2)


@pytest.mark.parametrize("not_before", [timedelta(0), timedelta(hours=3), timedelta(days=2)], ids=str)
def test_a_course_is_planned_alike_whoever_was_planned_before(not_before: timedelta) -> None:
    courses = _courses(seed=7)
    # each load is a plan of its own, which shares nothing with another
    forwards, backwards = load_plan(PLANS / LEAD), load_plan(PLANS / LEAD)
    first = [_planned(forwards, course, not_before) for course in courses]
    second = [_planned(backwards, course, not_before) for course in reversed(courses)][::-1]
    assert first == second
    assert first == [_planned(load_plan(PLANS / LEAD), courses[0], not_before), *first[1:]]
