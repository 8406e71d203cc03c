"""Dates and times in six languages, as the Unicode CLDR writes them (its charts; spaces made plain)."""

from __future__ import annotations

from datetime import date, time

import pytest

from reminders.wording.dates import Calendar, is_known
from reminders.wording.sms import measure

CLOCKS = [
    ("en", "7:10 PM", "12:05 AM"),
    ("es", "19:10", "0:05"),
    ("es_419", "7:10 p.m.", "12:05 a.m."),
    ("vi", "19:10", "00:05"),
    ("zh_Hans", "19:10", "00:05"),
    ("ru", "19:10", "00:05"),
    ("ar", "7:10 م", "12:05 ص"),
]
DAYS = [
    ("en", "Sat, Mar 7", "Saturday"),
    ("es", "sáb, 7 mar", "sábado"),
    ("es_419", "sáb, 7 mar", "sábado"),
    ("vi", "Th 7, 7 thg 3", "Thứ Bảy"),
    ("zh_Hans", "3月7日周六", "星期六"),
    ("ru", "сб, 7 мар.", "суббота"),
    ("ar", "السبت، 7 مارس", "السبت"),
]


@pytest.mark.parametrize(("locale", "evening", "midnight"), CLOCKS)
def test_a_time_reads_as_in_the_patients_language(locale: str, evening: str, midnight: str) -> None:
    calendar = Calendar(locale)
    assert (calendar.clock(time(19, 10)), calendar.clock(time(0, 5))) == (evening, midnight)


@pytest.mark.parametrize(("locale", "day_date", "weekday"), DAYS)
def test_a_day_reads_as_in_the_patients_language(locale: str, day_date: str, weekday: str) -> None:
    day = date(2026, 3, 7)
    assert (Calendar(locale).day_date(day), Calendar(locale).weekday(day)) == (day_date, weekday)


@pytest.mark.parametrize("minute", range(0, 24 * 60, 47))
@pytest.mark.parametrize("locale", ["en", "es", "es_419"])
def test_no_time_of_day_makes_an_sms_dearer(locale: str, minute: int) -> None:
    assert measure(Calendar(locale).clock(time(*divmod(minute, 60)))).encoding == "gsm7"


def test_only_locales_of_cldr_are_known() -> None:
    assert all(is_known(locale) for locale, *_ in CLOCKS)
    assert not any(is_known(locale) for locale in ("", "xx", "english", "e", "en_XYZW"))
