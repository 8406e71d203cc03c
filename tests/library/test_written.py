"""Every number that stands in the words of a text has a source, in a table that was written apart from the plans."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.build import PLANS
from tests.library.shelf import PROCEDURES

WRITTEN: dict[str, dict[str, dict[str, str]]] = tomllib.loads(
    (Path(__file__).parent / "written.toml").read_text(encoding="utf-8")
)
_UNITS = r"C|F|mg|hours?|minutes?|days?|weeks?|months?|times|tablets|teaspoon|in"
_NUMBER = re.compile(rf"\d+(?:[.,]\d+)*(?:\s*(?:to|or|-)\s*\d+)?(?:\s*(?:{_UNITS})\b)?")
_OF_A_LIST = re.compile(r"^\d+\. ", re.MULTILINE)


def shown(source: str) -> str:
    """The words of a template: what stands outside its tags, and the strings and numbers that a tag may print."""

    def strings(found: re.Match[str]) -> str:
        compared = re.sub(r'[!=<>]=?\s*(?:"[^"]*"|\d+)|"[^"]*"\s*(?:not )?in has', "", found[1])
        formatted = re.sub(r'"[^"]*"\.format', "", compared)
        return " ; ".join(
            [*re.findall(r'"([^"]*)"', formatted), *re.findall(r"\b\d+\b", re.sub(r'"[^"]*"', "", formatted))]
        )

    return re.sub(r"\{\{(.*?)\}\}", strings, re.sub(r"\{%.*?%\}", " ", source, flags=re.DOTALL), flags=re.DOTALL)


def numbers_of(folder: str) -> dict[str, set[str]]:
    """The numbers in the English texts of a folder, by text whatever its channel."""
    found: dict[str, set[str]] = {}
    for path in sorted((PLANS / folder / "en").glob("*.j2")):
        words = _OF_A_LIST.sub("", shown(path.read_text(encoding="utf-8")))
        if numbers := {" ".join(each.split()) for each in _NUMBER.findall(words)}:
            found.setdefault(path.name.partition(".")[0], set()).update(numbers)
    return found


@pytest.mark.parametrize("folder", ["shared", *PROCEDURES])
def test_every_number_written_into_a_text_has_a_source_and_no_source_is_left_over(folder: str) -> None:
    assert numbers_of(folder) == {text: set(rows) for text, rows in WRITTEN.get(folder, {}).items()}


def test_every_folder_of_the_table_is_there() -> None:
    assert set(WRITTEN) <= {"shared", *PROCEDURES}
    rows: list[Any] = [source for texts in WRITTEN.values() for row in texts.values() for source in row.values()]
    assert all(len(source) > 5 for source in rows)


def test_a_new_number_would_be_seen() -> None:
    source = (
        'Wait {{ "5 days" if x == "7 days" else "6 days" }}. {% if y > 3 %}Then 20 minutes.{% endif %} {{ z | clock }}'
    )
    assert _NUMBER.findall(shown(source)) == ["5 days", "6 days", "20 minutes"]
