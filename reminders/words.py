"""Knows the language that staff read, and puts the program's own strings into it by gettext catalogs.

What patients read does not come from here: their texts, and the words around them on the sheet, stand in
`message_templates`, where a clinician approves them. English is the language of the source and needs no catalog.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

SOURCE_LANGUAGE = "en"
DOMAIN = "reminders"
CATALOGS = Path(__file__).with_name("catalogs")
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


def marked(message: str) -> str:
    """Return the string as it is, and have catalogs translate it: for tables, whose reader calls `gettext` later."""
    return message


def on_day(local: date, pattern: str = "EEE d MMM y HH:mm") -> str:
    """Return a day or a moment by its own wall clock, in the staff's language, by a pattern of CLDR (UTS 35 part 4)."""
    from babel.dates import format_date, format_datetime  # noqa: PLC0415  many commands show none

    if isinstance(local, datetime):
        return format_datetime(local, pattern, locale=language())
    return format_date(local, pattern, locale=language())


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


def _file(code: str) -> Path:
    return CATALOGS / code / "LC_MESSAGES" / f"{DOMAIN}.po"


@lru_cache(maxsize=32)
def _translations(code: str) -> NullTranslations:
    if code == SOURCE_LANGUAGE:
        return NullTranslations()
    from babel.messages.mofile import write_mo  # noqa: PLC0415  English never needs them
    from babel.messages.pofile import read_po  # noqa: PLC0415

    compiled = BytesIO()
    with _file(code).open("rb") as source:
        write_mo(compiled, read_po(source, locale=code, domain=DOMAIN))
    compiled.seek(0)
    return GNUTranslations(compiled)
