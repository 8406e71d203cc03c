"""A translation says the same numbers, days and times as its original."""

from __future__ import annotations

import pytest

from reminders.wording.review import figures
from reminders.wording.review.word_lists import read_word_lists
from tests.build import LEAD, PLANS


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("At most 3,000 mg", {"3000": 1}),
        ("Máximo 3.000 mg", {"3000": 1}),
        ("38,5 °C", {"38.5": 1}),
        ("38.5 C", {"38.5": 1}),
        ("1-2 tablets, 1 at first", {"1": 2, "2": 1}),
        ("٣ أيام", {"3": 1}),
        ("no number", {}),
    ],
)
def test_a_number_is_the_same_however_it_is_written(text: str, found: dict[str, int]) -> None:
    assert dict(figures.figures(text)) == found


@pytest.mark.parametrize(
    ("original", "translation", "told"),
    [
        ("Soak 10 minutes, twice.", "Remoje 10 minutos, dos veces.", []),
        ("Soak 10 minutes.", "Remoje 20 minutos.", ["20 is not in the original; 10 of the original is missing"]),
        ("Soak 10 minutes.", "Remoje.", ["10 of the original is missing"]),
        ("Soak.", "Remoje 10 minutos.", ["10 is not in the original"]),
    ],
)
def test_a_number_more_or_less_is_told(original: str, translation: str, told: list[str]) -> None:
    found = figures.translation_flaws(translation, original, moments=(), original_moments=())
    assert [flaw.message for flaw in found] == told


def test_dates_are_compared_as_dates_not_as_their_digits() -> None:
    found = figures.translation_flaws(
        "Su cita: dom, 7 jun, 14:05.",
        "Your visit: Sun, Jun 7 at 2:05 PM.",
        moments=("dom, 7 jun", "14:05"),
        original_moments=("Sun, Jun 7", "2:05 PM"),
    )
    assert found == []


def test_a_date_that_the_translation_leaves_out_is_told() -> None:
    (flaw,) = figures.translation_flaws(
        "Su cita es pronto.", "Your visit: Sun, Jun 7.", moments=("dom, 7 jun",), original_moments=("Sun, Jun 7",)
    )
    assert flaw.message == "names 0 dates or times, the original 1"


@pytest.mark.parametrize(
    ("language", "text", "told"),
    [
        ("en", "Do it until day 5.", [("until_day", 5)]),
        ("en", "Do it until day five.", [("until_day", 5)]),
        ("en", "Rest for the next 2 days.", [("for_days", 2)]),
        ("en", "On day 3 we ask again.", [("on_day", 3)]),
        ("en", "5 days of rest", []),
        ("es", "Hágalo hasta el día 5.", [("until_day", 5)]),
    ],
)
def test_days_are_read_from_a_text(language: str, text: str, told: list[tuple[str, int]]) -> None:
    words = read_word_lists(language, folder=PLANS / LEAD, shared=PLANS / "shared").review
    assert [(kind, number) for kind, number, _ in figures.days_told(text, words)] == told
