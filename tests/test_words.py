"""The language that staff read: which one, from where, and that its catalogs hold every string of the program."""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from gettext import c2py
from pathlib import Path
from string import Formatter
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from babel.dates import format_datetime

from reminders import words
from reminders.config import PracticeSection
from tests import catalogs

pytestmark = pytest.mark.usefixtures("english_again")


# GNU gettext manual, section 2.3.2 "Locale Environment Variables" and 2.3.3 "Specifying a Priority List of Languages".
@pytest.mark.parametrize(
    ("variables", "language"),
    [
        pytest.param({}, "en", id="nothing is set"),
        pytest.param({"LANG": "es_ES.UTF-8"}, "es", id="country and encoding"),
        pytest.param({"LANG": "es"}, "es", id="plain"),
        pytest.param({"LANG": "es-MX"}, "es", id="as on the web"),
        pytest.param({"LANG": "ar_EG.UTF-8"}, "ar", id="another script"),
        pytest.param({"LANG": "ca_ES@valencia"}, "en", id="a language without a catalog"),
        pytest.param({"LANG": "es_ES.UTF-8", "LC_ALL": "C"}, "en", id="LC_ALL before LANG"),
        pytest.param({"LANG": "es_ES.UTF-8", "LC_MESSAGES": "en_US.UTF-8"}, "en", id="LC_MESSAGES before LANG"),
        pytest.param({"LANG": "en_US.UTF-8", "LC_TIME": "es_ES.UTF-8"}, "en", id="LC_TIME says nothing of words"),
        pytest.param({"LANGUAGE": "ca:es:en", "LANG": "en_US.UTF-8"}, "es", id="the first of LANGUAGE that exists"),
        pytest.param({"LANGUAGE": "", "LANG": "es_ES"}, "es", id="an empty variable is not set"),
    ],
)
def test_the_locale_of_the_environment_chooses(variables: Mapping[str, str], language: str) -> None:
    assert words.of_environment(variables) == language


def test_a_string_is_put_into_the_language_spoken_with_its_values() -> None:
    words.speak("es_MX")
    assert words.gettext("Who they are: {where}", where="{x}") == "Quiénes son: {x}"
    assert words.ngettext(
        "{practice}: {number} course runs.", "{practice}: {number} courses run.", 1, practice="P"
    ) == ("P: 1 curso en marcha.")


def test_one_request_speaks_its_own_language_and_the_process_keeps_its() -> None:
    with words.speaking("es"):
        assert words.gettext("urgent") == "urgente"
    assert words.gettext("urgent") == "urgent"


def test_a_day_is_written_as_the_language_writes_it() -> None:
    moment = datetime.fromisoformat("2026-03-07T15:30")
    assert words.on_day(moment) == "Sat 7 Mar 2026 15:30"
    words.speak("es")
    assert words.on_day(moment) == "sáb 7 mar 2026 15:30"


def test_a_staff_language_without_a_catalog_is_a_fault_of_the_configuration() -> None:
    with pytest.raises(ValueError, match="choose from en, ar, es"):
        PracticeSection(name="P", zone="UTC", phone="212-555-0100", staff_language="tlh")


@pytest.fixture(scope="module")
def source() -> set[tuple[str, ...]]:
    """What the program says today."""
    return set(catalogs.messages_of(catalogs.extracted()))


@pytest.mark.parametrize("path", catalogs.files(), ids=lambda path: path.parts[-3])
def test_a_catalog_is_complete_and_up_to_date(path: Path, source: set[tuple[str, ...]]) -> None:
    """When this fails: `python -m tests.catalogs`, then translate what it lists."""
    catalog = catalogs.read(path)
    held = catalogs.messages_of(catalog)
    assert set(held) == source
    assert [key for key, each in held.items() if each.fuzzy or not all(catalogs.forms(each.string))] == []
    plurals = [catalogs.forms(each.string) for key, each in held.items() if len(key) > 1]
    assert {len(forms) for forms in plurals} == {catalog.num_plurals}


@pytest.mark.parametrize("path", catalogs.files(), ids=lambda path: path.parts[-3])
def test_a_number_takes_the_form_that_cldr_gives_it(path: Path) -> None:
    """The forms stand in the order of CLDR's kinds (UTS 35 part 3, "Language Plural Rules", as Babel has them)."""
    chosen, kind = c2py(catalogs.read(path).plural_expr), Locale(path.parts[-3]).plural_form
    used = {kind(number) for number in range(300)}
    order = [each for each in ("zero", "one", "two", "few", "many", "other") if each in used]
    assert [order[chosen(number)] for number in range(300)] == [kind(number) for number in range(300)]


def places(text: str) -> set[str]:
    """The named places in a string: `{name}`, or `%(name)s` in a template."""
    return {name for _, name, _, _ in Formatter().parse(text) if name} | set(re.findall(r"%\((\w+)\)", text))


@pytest.mark.parametrize("path", catalogs.files(), ids=lambda path: path.parts[-3])
def test_a_translation_has_the_places_of_its_source_and_no_others(path: Path) -> None:
    wrong = [
        key
        for key, each in catalogs.messages_of(catalogs.read(path)).items()
        for form in catalogs.forms(each.string)
        if places(form) != places(key[-1])
    ]
    assert wrong == []


def test_a_catalog_that_nobody_qualified_has_read_says_so() -> None:
    assert [code for code in words.available() if words.is_draft(code)] == ["ar", "es"]


def test_every_string_is_a_literal_that_a_catalog_can_hold() -> None:
    built = []
    for path in catalogs.PROGRAM.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
                looser = (ast.JoinedStr, ast.BinOp, ast.Call)
                if node.func.id in {"gettext", "ngettext", "marked"} and isinstance(node.args[0], looser):
                    built.append(f"{path.name}:{node.lineno}")
    assert built == []


@pytest.mark.parametrize("code", words.available())
@pytest.mark.parametrize("pattern", ["EEE d MMM HH:mm", "EEE d MMM y HH:mm", "EEE HH:mm", "EEE HH:mm:ss", "d MMM"])
def test_a_moment_is_written_as_babel_writes_it(code: str, pattern: str) -> None:
    """Also by the clock of each zone, when one moment is two days: what was said of a day is kept."""
    moments = [datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=11 * number, minutes=number) for number in range(800)]
    with words.speaking(code):
        for zone in (ZoneInfo("Asia/Tokyo"), ZoneInfo("America/Chicago")):
            locals_ = [moment.astimezone(zone) for moment in moments]
            assert [words.on_day(each, pattern) for each in locals_] == [
                format_datetime(each, pattern, locale=code) for each in locals_
            ]
