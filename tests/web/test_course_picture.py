"""The picture of a course: every mark near its hour, whatever else happened that day."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from itertools import pairwise

import pytest

from reminders import words
from reminders.web.staff.timeline import Mark, draw

NINE = datetime.fromisoformat("2026-06-10T09:00-05:00")
_DRAWN = re.compile(r'<title>(.*?)</title><\w+ class="\w+" (?:cx="|d="M)([\d.]+)(?:" cy="| )([\d.]+)')
pytestmark = pytest.mark.usefixtures("english_again")


def drawn(*shapes: tuple[str, int]) -> dict[str, list[tuple[float, float]]]:
    """Where the marks of a day stand: shapes, each with the minutes after nine."""
    marks = [Mark(at=NINE + timedelta(minutes=minutes), shape=shape, says=shape) for shape, minutes in shapes]
    picture = draw(marks, day_0=NINE.date(), now=None, label="course")
    places: dict[str, list[tuple[float, float]]] = {}
    for title, x, y in re.findall(
        r'<title>(.*?)</title><\w+ class="\w+" (?:cx="|d="M)([\d.]+)(?:" cy="| )([\d.]+)', picture
    ):
        places.setdefault(title, []).append((float(x), float(y)))
    return places


def test_what_patients_do_moves_no_message_from_its_hour() -> None:
    alone = drawn(("waits", 60), ("waits", 240))
    among = drawn(("waits", 60), *(("reply", number) for number in range(60, 66)), ("waits", 240))
    assert [y for _, y in among["waits"]] == [y for _, y in alone["waits"]]


@pytest.mark.parametrize(("language", "before"), [("en", True), ("ar", False)])
def test_messages_stand_before_what_came_back_as_the_page_is_read(language: str, *, before: bool) -> None:
    words.speak(language)
    places = drawn(("waits", 60), ("reply", 60))
    assert (places["waits"][0][0] < places["reply"][0][0]) is before


def test_marks_of_one_kind_never_cover_one_another() -> None:
    downs = [y for _, y in drawn(*(("waits", number) for number in range(5)))["waits"]]
    assert min(later - earlier for earlier, later in pairwise(downs)) > 14  # twice the radius
