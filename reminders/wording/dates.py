"""Knows how dates and times read in a patient's language, by the Unicode CLDR data that Babel carries.

Only the reading of the patient's own wall clock is written, so every date and time comes in as local.
CLDR puts no-break spaces into times (`7:10 PM`); they become plain ones here, because in a text message they
would double the cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from functools import lru_cache

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton, format_time

_FIXED_SPACES = str.maketrans({"\N{NARROW NO-BREAK SPACE}": " ", "\N{NO-BREAK SPACE}": " "})


def is_known(locale: str) -> bool:
    """Say whether CLDR knows the locale (`en`, `es_419`, `zh_Hans`)."""
    try:
        return str(Locale.parse(locale)) == locale
    except (UnknownLocaleError, ValueError):
        return False


@dataclass(frozen=True)
class Calendar:
    """Writes dates and times for one locale."""

    locale: str

    def clock(self, moment: datetime | time) -> str:
        """Return the time of day: `7:10 PM`, `19:10`."""
        return _clock(self.locale, moment.hour, moment.minute)

    def weekday(self, day: date) -> str:
        """Return the name of the weekday: `Saturday`."""
        return _weekday(self.locale, day.year, day.month, day.day)

    def day_date(self, day: date) -> str:
        """Return weekday, day and month, short: `Sat, Mar 7`."""
        return _day_date(self.locale, day.year, day.month, day.day)

    def month_day(self, day: date) -> str:
        """Return month and day, short and without the weekday: `Mar 7`."""
        return _month_day(self.locale, day.year, day.month, day.day)


# Keyed by plain numbers: two aware datetimes are equal when their instants are, whatever their walls read.
@lru_cache(maxsize=2048)
def _clock(locale: str, hour: int, minute: int) -> str:
    return format_time(time(hour, minute), "short", locale=locale).translate(_FIXED_SPACES)


@lru_cache(maxsize=1024)
def _weekday(locale: str, year: int, month: int, day: int) -> str:
    return format_date(date(year, month, day), "EEEE", locale=locale)


@lru_cache(maxsize=1024)
def _day_date(locale: str, year: int, month: int, day: int) -> str:
    return format_skeleton("MMMEd", date(year, month, day), locale=locale).translate(_FIXED_SPACES)


@lru_cache(maxsize=1024)
def _month_day(locale: str, year: int, month: int, day: int) -> str:
    return format_skeleton("MMMd", date(year, month, day), locale=locale).translate(_FIXED_SPACES)
