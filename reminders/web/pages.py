"""Knows the templates: every value escaped, times by a zone that is named, static files by their content."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from datetime import date, datetime
from functools import cache
from pathlib import Path
from threading import Event
from typing import Any
from zoneinfo import ZoneInfo

import phonenumbers
from babel import Locale, UnknownLocaleError
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from reminders.care.quiet_hours import WEEKDAYS
from reminders.desk.blamed import Blamed
from reminders.wording.languages import direction_of
from reminders.words import gettext, language, ngettext, on_day, retold

HERE = Path(__file__).parent
STATIC = HERE / "static"
_RUN = re.compile(r"\+\d[\d -]*\d|\d+[-:/][\dT:/-]*\d")
_SHORTEST_ABROAD = 7
"""Digits; what is shorter is dialled within its country only."""


class Pages:
    """Turns values into pages."""

    def __init__(self, **known: Any) -> None:
        """Load templates from beside this module; `known` are values that every page has."""
        self._environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            extensions=["jinja2.ext.i18n"],
        )
        self._environment.install_gettext_callables(  # type: ignore[attr-defined]  # the extension adds it
            gettext, ngettext, newstyle=True
        )
        self._environment.filters.update(
            moment=moment,
            day_date=day_date,
            day_name=day_name,
            wall=wall,
            iso=iso,
            words=words,
            left=left,
            number=number,
            tongue=tongue,
            spoken_in=spoken_in,
            plainly=plainly,
            apart=apart,
            at=at,
            runs_apart=runs_apart,
            dial=dial,
            retold=retold,
        )
        self._environment.globals.update(static=static_url, **known)

    def show(self, name: str, *, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a page from the template `name`."""
        return HTMLResponse(self.text(name, **values), status_code=status)

    def text(self, name: str, **values: Any) -> str:
        """Return what the template `name` says."""
        return self._environment.get_template(name).render(
            {"language": language(), "direction": direction_of(language()), **values}
        )

    def read_all(self, *, closing: Event) -> None:
        """Read every template before somebody asks for it; stops when the server closes."""
        for name in self._environment.list_templates():
            if not closing.is_set():
                self._environment.get_template(name)

    def know(self, **known: Any) -> None:
        """Give every page other values from now on."""
        self._environment.globals.update(known)

    def add(self, **filters: Callable[..., Any]) -> None:
        """Let templates use more filters."""
        self._environment.filters.update(filters)


@cache
def static_url(name: str) -> str:
    """Return the address of a static file; another content has another address, so browsers may keep it."""
    digest = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?v={digest}"


def moment(instant: datetime | None, zone: ZoneInfo) -> str:
    """Return a moment as staff read it: `Wed 10 Jun 15:30`; empty for None."""
    return "" if instant is None else on_day(instant.astimezone(zone), "EEE d MMM HH:mm")


def day_date(day: date, pattern: str = "EEE d MMM y") -> str:
    """Return a day as staff read it: `Fri 25 Dec 2026`."""
    return on_day(day, pattern)


def day_name(weekday: str, pattern: str = "EEEE") -> str:
    """Return a weekday as staff read it, from its name in the settings: `Monday`."""
    # No year is said: the names are those of any, and this one begins with a Monday.
    said = on_day(date(2024, 1, 1 + WEEKDAYS.index(weekday)), pattern)
    return said[:1].upper() + said[1:]


def wall(instant: datetime | None, zone: ZoneInfo) -> str:
    """Return the time of day: `15:30`; empty for None."""
    return "" if instant is None else f"{instant.astimezone(zone):%H:%M}"


def iso(instant: datetime, zone: ZoneInfo) -> str:
    """Return a moment for programs, as in the attribute of `<time>`."""
    return instant.astimezone(zone).isoformat(timespec="seconds")


def left(due_at: datetime, now: datetime) -> str:
    """Return how long there is until a moment: `12 min left`, `3 h late`; `static/staff.js` says it the same way."""
    minutes = int(abs(due_at - now).total_seconds() // 60)
    if minutes < 120:
        length = gettext("{number} min", number=minutes)
    elif minutes < 2880:
        length = gettext("{number} h", number=minutes // 60)
    else:
        length = gettext("{number} d", number=minutes // 1440)
    return gettext("{length} late", length=length) if due_at < now else gettext("{length} left", length=length)


def number(address: str) -> Markup:
    """Return a telephone number as people read it, anything else as it is; from left to right on every page."""
    try:
        said = phonenumbers.format_number(phonenumbers.parse(address), phonenumbers.PhoneNumberFormat.INTERNATIONAL)
    except phonenumbers.NumberParseException:
        said = address
    return plainly(said)


def plainly(said: object) -> Markup:
    """Return a number, an address, hours or a code, whose parts stand from left to right on every page."""
    return Markup(f'<bdi dir="ltr">{escape(said)}</bdi>')  # noqa: S704  escaped here; `format` takes four times as long


def apart(said: object) -> Markup:
    """Return a name or another's words within a sentence: in their own direction, and turning nothing around them."""
    return Markup(f"<bdi>{escape(said)}</bdi>")  # noqa: S704  as above


def runs_apart(said: str) -> str:
    """Return a sentence whose dates, hours and numbers stand from left to right on every page: `2026-06-10T15:30`.

    Among Arabic letters their parts would change places at each hyphen (Unicode Standard Annex 9, rules W2 and W4).
    """
    if direction_of(language()) != "rtl":
        return said
    return Markup(_RUN.sub(lambda found: plainly(found[0]), escape(said)))  # noqa: S704  escaped first


def at(problems: Iterable[str], field: str, help_id: str = "") -> Markup:
    """Return the attributes of a form's field: that it is at fault, and what says why or what to type."""
    blaming = [
        f"problem-{number}"
        for number, each in enumerate(problems, 1)
        if isinstance(each, Blamed) and each.field == field
    ]
    invalid = ' aria-invalid="true"' if blaming else ""
    says = " ".join(filter(None, [*blaming, help_id]))
    return Markup(f'{invalid} aria-describedby="{escape(says)}"' if says else "")  # noqa: S704  ids of our own


def dial(said: str, region: str) -> str:
    """Return a number as a `tel:` link holds it (RFC 3966): with its country's code, but a short one as it is.

    Emergency numbers are short, and must never get a code: +49 112 reaches nobody.
    """
    plain = "".join(each for each in said if each.isascii() and (each.isdigit() or each in "+*#"))
    if len(plain) < _SHORTEST_ABROAD:
        return plain
    try:
        parsed = phonenumbers.parse(said, region)
    except phonenumbers.NumberParseException:
        return plain
    valid = phonenumbers.is_valid_number(parsed)
    return phonenumbers.format_number(parsed, phonenumbers.PhoneNumberFormat.E164) if valid else plain


def tongue(code: str) -> str:
    """Return a language's name in the language itself: `español`; the code when nobody knows it."""
    try:
        return Locale.parse(code, sep="-").get_display_name() or code
    except (UnknownLocaleError, ValueError):
        return code


def spoken_in(code: str) -> Markup:
    """Return the attributes of an element whose words are in another language than the page (WCAG 2.2, 3.1.2)."""
    return Markup('lang="{}" dir="{}"').format(code, direction_of(code))


def words(name: str) -> str:
    """Return a name of the program as words: `left_voicemail` becomes `left voicemail`."""
    return name.replace("_", " ").replace("-", " ")
