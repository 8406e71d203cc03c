"""The picture of a course: every dot is seen, at its hour as far as there is room, and none covers another."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree as ET

from hypothesis import given
from hypothesis import strategies as st

from reminders.wording.languages import direction_of
from reminders.wording.timeline import Dot, draw_timeline

SVG = "{http://www.w3.org/2000/svg}"
MIDNIGHT = datetime(2026, 3, 7)  # noqa: DTZ001  a wall clock's reading
MINUTES = st.lists(st.integers(0, 1439), min_size=1, max_size=12)


def drawn(days: list[list[int]]) -> tuple[float, list[list[float]]]:
    """The height of the picture, and how far down the dots of each column stand; minutes of each day are given."""
    dots = [
        Dot(at=MIDNIGHT + timedelta(minutes=minute), day=day, number=number)
        for day, minutes in enumerate(days)
        for number, minute in enumerate(minutes, start=1)
    ]
    root = ET.fromstring(draw_timeline(dots, label="a course", day_label=lambda day: f"Day {day}"))
    columns: dict[str, list[float]] = {}
    for circle in root.iter(f"{SVG}circle"):
        columns.setdefault(circle.attrib["cx"], []).append(float(circle.attrib["cy"]))
    return float(root.attrib["viewBox"].split()[3]), list(columns.values())


@given(st.lists(MINUTES, min_size=1, max_size=4))
def test_every_dot_lies_within_the_picture_and_beside_the_others(days: list[list[int]]) -> None:
    height, columns = drawn(days)
    assert [len(ys) for ys in columns] == [len(minutes) for minutes in days]
    for ys in columns:
        assert min(ys) >= 9
        assert max(ys) <= height - 9
        assert all(later - earlier >= 18 for earlier, later in pairwise(ys))


@given(MINUTES)
def test_dots_stand_in_the_order_of_their_hours(minutes: list[int]) -> None:
    _, (ys,) = drawn([minutes])
    assert ys == sorted(ys)


def test_a_dot_with_room_around_it_stands_at_its_hour() -> None:
    _, (first, second, third) = drawn([[8 * 60], [12 * 60], [16 * 60]])
    assert second[0] - first[0] == third[0] - second[0] > 0


def test_days_follow_one_another_as_the_reader_reads() -> None:
    dots = [Dot(at=MIDNIGHT + timedelta(hours=12), day=day, number=day + 1) for day in range(3)]
    for language, order in (("en", [1, 2, 3]), ("ar", [3, 2, 1])):
        root = ET.fromstring(draw_timeline(dots, label="", day_label=str, direction=direction_of(language)))
        numbers = [each for each in root.iter(f"{SVG}text") if each.attrib["class"] == "dot"]
        assert [int(each.text or "") for each in sorted(numbers, key=lambda each: float(each.attrib["x"]))] == order


def test_a_course_without_messages_has_no_picture() -> None:
    assert draw_timeline([], label="", day_label=str) == ""
