"""Knows the language that staff read, and puts the program's own strings into it by gettext catalogs.

What patients read does not come from here: their texts, and the words around them on the sheet, stand in
`message_templates`, where a clinician approves them. English is the language of the source and needs no catalog.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from reminders.sentences import DATED, MONTHS, WEEKDAYS, Sentences, filled

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

SOURCE_LANGUAGE = "en"
DOMAIN = "reminders"
SAID = "said"
"""What a catalog notes of a sentence that `english` marked, as it has to be recognised."""
CATALOGS = Path(__file__).with_name("catalogs")
_KEPT = frozenset({"file", "key", "keys", "known", "option"})
"""Places of sentences in which names stand that are the same in every language."""
_WORDS = frozenset({"label", "signs", "unit"})
"""Places in which words stand that the database holds, one or several with commas between them."""
_CLOCK = " HH:mm"
"""How most patterns end: two digits each, which every locale writes alike, so that the day before them can be kept."""
_VARIABLES = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")

_house = [SOURCE_LANGUAGE]
"""Of the whole process: recurring jobs run in threads of their own, which no context reaches."""
_here: ContextVar[str] = ContextVar("staff_language")


def gettext(message: str, /, **values: object) -> str:
    """Return a string of the program in the staff's language, or as it is where no catalog has it.

    `values` go into its named places, as with `str.format`: `gettext("Enrolled {name}.", name=name)`. The string
    itself must be a literal, or the catalogs never hear of it.
    """
    said = _translations(language()).gettext(message)
    return said.format(**values) if values else said


def ngettext(singular: str, plural: str, number: int, /, **values: object) -> str:
    """Return the form for a number, by the plural rules of the language; `{number}` in it is the number."""
    said = _translations(language()).ngettext(singular, plural, number)
    return said.format(number=number, **values)


def listed(words: Iterable[str]) -> str:
    """Return words that are in the staff's language already, as the language lists them: with its comma between."""
    return gettext(", ").join(words)


def shown(stored: str) -> str:
    """Return a word of the database in the staff's language, its `_` as spaces; empty stays empty."""
    plain = stored.replace("_", " ")
    return gettext(plain) if plain else ""


def shown_all(stored: Iterable[str]) -> str:
    """Return words of the database as they are shown, with commas between them; "" for none."""
    return listed(shown(each) for each in stored)


def marked(message: str) -> str:
    """Return the string as it is, and have catalogs translate it: for tables, whose reader calls `gettext` later."""
    return message


def retold(text: str) -> str:
    """Return what was said in English, and perhaps stored, in the staff's language: a reason, a detail, an error.

    Lines are taken one by one, and what stands in the places of a sentence in turn; what is about a key or a line of
    a file begins with it. A text that no sentence makes, such as a note that somebody wrote, comes back as it is.
    """
    spoken = language()
    return text if spoken == SOURCE_LANGUAGE else _retold(text, spoken)


def on_day(local: date, pattern: str = "EEE d MMM y HH:mm") -> str:
    """Return a day or a moment by its own wall clock, in the staff's language, by a pattern of CLDR (UTS 35 part 4)."""
    if not isinstance(local, datetime):
        return _said_on(local, pattern, language())
    of_day, clock, rest = pattern.partition(_CLOCK)
    if clock and not rest:
        return f"{_said_on(local.date(), of_day, language())} {local:%H:%M}"
    from babel.dates import format_datetime  # noqa: PLC0415  many commands show none

    return format_datetime(local, pattern, locale=language())


def language() -> str:
    """Return the language that strings are put into here and now."""
    return _here.get(_house[0])


def speak(code: str) -> None:
    """Make a language the whole process's; one without a catalog means English."""
    _house[0] = nearest(code) or SOURCE_LANGUAGE


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Speak a language within a block, such as one request; one without a catalog means English."""
    token = _here.set(nearest(code) or SOURCE_LANGUAGE)
    try:
        yield
    finally:
        _here.reset(token)


def available() -> tuple[str, ...]:
    """Return the languages staff can choose, English first."""
    return (SOURCE_LANGUAGE, *sorted(path.name for path in CATALOGS.iterdir() if _file(path.name).is_file()))


def nearest(code: str) -> str | None:
    """Return the language a code means: `es_MX.UTF-8` is `es` when there is no catalog for Mexico; None for none."""
    plain = code.partition(".")[0].partition("@")[0].replace("-", "_")
    return next((each for each in (plain, plain.partition("_")[0]) if each in available()), None)


def of_environment(variables: Mapping[str, str] = os.environ) -> str:
    """Return the language that the locale of the environment asks for, English when it asks for none we have.

    The first of LANGUAGE, LC_ALL, LC_MESSAGES and LANG that is set decides, as GNU gettext has it; LANGUAGE may name
    several, best first. (GNU gettext manual, "Locale Environment Variables" and "The LANGUAGE variable".)
    """
    said = next((variables[name] for name in _VARIABLES if variables.get(name)), "")
    return next((found for each in said.split(":") if (found := nearest(each))), SOURCE_LANGUAGE)


def is_draft(code: str) -> bool:
    """Say whether a catalog was read by nobody qualified: its `Last-Translator` is a draft."""
    return _translations(code).info().get("last-translator", "").startswith("draft")


@lru_cache(maxsize=1024)
def _said_on(local: date, pattern: str, code: str) -> str:
    from babel.dates import format_date  # noqa: PLC0415  as above

    return format_date(local, pattern, locale=code)


@lru_cache(maxsize=4096)
def _retold(text: str, code: str) -> str:
    found = _sentences(code).found_in(text)
    if found:
        sentence, values = found[0]
        return filled(_translations(code).gettext(sentence), values, lambda place, value: _in_place(place, value, code))
    if "\n" in text:
        return "\n".join(_retold(line, code) for line in text.split("\n"))
    head, colon, rest = text.partition(": ")
    return f"{_retold(head, code)}: {_retold(rest, code)}" if colon else text


def _in_place(place: str, value: str, code: str) -> str:
    """Return what stands in a place of a sentence: keys stay, a moment and what the program says are translated."""
    if place in _KEPT:
        return value
    if place in _WORDS:
        words = (_translations(code).gettext(word) for word in value.split(", "))
        return _retold(_translations(code).gettext(", ").join(words), code)
    moment = DATED.fullmatch(value)
    return _dated(*moment.groups()) if moment else _retold(value, code)


def _dated(weekday: str, day: str | None, month: str | None, clock: str) -> str:
    # No year is said: the names of a weekday and of a month are those of any year.
    parts = [on_day(date(2024, 1, 1 + WEEKDAYS.index(weekday)), "EEE")]  # a Monday
    if day and month:
        parts.append(on_day(date(2024, 1 + MONTHS.index(month), int(day)), "d MMM"))
    return " ".join((*parts, clock))


def _file(code: str) -> Path:
    return CATALOGS / code / "LC_MESSAGES" / f"{DOMAIN}.po"


@lru_cache(maxsize=32)
def _catalog(code: str) -> Catalog:
    from babel.messages.pofile import read_po  # noqa: PLC0415  English never needs it

    with _file(code).open("rb") as source:
        return read_po(source, locale=code, domain=DOMAIN)


@lru_cache(maxsize=32)
def _translations(code: str) -> NullTranslations:
    if code == SOURCE_LANGUAGE:
        return NullTranslations()
    from babel.messages.mofile import write_mo  # noqa: PLC0415  as above

    compiled = BytesIO()
    write_mo(compiled, _catalog(code))
    compiled.seek(0)
    return GNUTranslations(compiled)


@lru_cache(maxsize=32)
def _sentences(code: str) -> Sentences:
    return Sentences(str(message.id) for message in _catalog(code) if SAID in message.auto_comments)
