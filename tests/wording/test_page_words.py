"""The words of the patient's page: whole in every language, with the same places to fill, and drafts held back."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from reminders.care.plan import Picture
from reminders.care.values import Slot
from reminders.wording.page_words import PAGE_FILE, choose_page_language, page_languages, page_words
from tests.build import PLANS

SHARED = PLANS / "shared"
LANGUAGES = page_languages(SHARED, drafts=True)


def said(language: str) -> dict[str, str]:
    """Every text of a language by its place in the file."""

    def texts(table: Mapping[str, Any], under: str = "") -> Iterator[tuple[str, str]]:
        for key, value in table.items():
            if isinstance(value, dict):
                yield from texts(value, f"{under}{key}.")
            else:
                yield f"{under}{key}", value

    return dict(texts(tomllib.loads((SHARED / language / PAGE_FILE).read_text("utf-8"))))


def test_six_languages_have_them() -> None:
    assert LANGUAGES == ("ar", "en", "es", "ru", "vi", "zh-Hans")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_language_says_everything_with_the_same_places_to_fill(language: str) -> None:
    def places(code: str) -> dict[str, list[str]]:
        return {key: sorted(re.findall(r"\{\w+\}", text)) for key, text in said(code).items()}

    assert places(language) == places("en")
    assert all(text.strip() for text in said(language).values())


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_drawing_and_every_time_of_day_has_its_word(language: str) -> None:
    words = page_words(SHARED, language)
    assert set(words.pictures) == set(Picture)
    assert set(words.times.slots) == set(Slot)


def test_what_nobody_qualified_has_read_is_not_shown_outside_the_demonstration() -> None:
    assert page_languages(SHARED, drafts=False) == ("en",)


@pytest.mark.parametrize(
    ("wanted", "chosen"),
    [
        (("es",), "es"),
        (("es-MX",), "es"),
        (("tlh", "ar"), "ar"),
        (("tlh",), "en"),
        (("zh-Hans-CN",), "zh-Hans"),
        (("", "-", "ru"), "ru"),
    ],
)
def test_the_first_language_wanted_that_has_words_is_taken(wanted: tuple[str, ...], chosen: str) -> None:
    assert choose_page_language(LANGUAGES, *wanted) == chosen
