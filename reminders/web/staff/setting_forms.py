"""Reads the forms of the practice's settings into the values that are kept, and puts values into the forms' fields."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from reminders.care.quiet_hours import WEEKDAYS
from reminders.config_site import Values
from reminders.web.forms import Form
from reminders.words import gettext

_MOST_ROWS = 40
_NONE = "none"


@dataclass(frozen=True, kw_only=True)
class Row:
    """A person or a shift in the form."""

    at: int
    key: str = ""
    """Of a person: the short name in the settings; of a shift: its place among the shifts that are kept."""
    typed: Mapping[str, Any] = field(default_factory=dict)


def values_in(section: str, form: Form) -> dict[str, Any]:
    """Return what a form says of a section, as JSON holds it; nothing is checked yet."""
    return _READERS[section](form)


def people_rows(values: Values) -> list[Row]:
    """Return the rows of the people, and an empty one to add another."""
    empty = dict.fromkeys(("name", "phone", "email"), "")
    rows = [Row(at=at, key=key, typed=empty | person) for at, (key, person) in enumerate(values["people"].items())]
    return [*rows, Row(at=len(rows), typed=empty)]


def shift_rows(values: Values) -> list[Row]:
    """Return the rows of the shifts, and an empty one to add another."""
    empty: dict[str, Any] = {"days": (), "dates": (), "hours": "", "people": ()}
    rows = [Row(at=at, key=str(at), typed=empty | shift) for at, shift in enumerate(values["shifts"])]
    return [*rows, Row(at=len(rows), typed=empty)]


def _practice(form: Form) -> dict[str, Any]:
    names = ("name", "phone", "after_hours_phone", "emergency_number", "email", "visit_minutes")
    return {name: form.text(name) for name in names}


def _opening_hours(form: Form) -> dict[str, Any]:
    return {**{day: _listed(form.text(day)) for day in WEEKDAYS}, "closed_on": sorted(_listed(form.text("closed_on")))}


def _contact(form: Form) -> dict[str, Any]:
    on = {day: _listed(form.text(f"quiet_hours_on.{day}")) for day in WEEKDAYS if form.text(f"quiet_hours_on.{day}")}
    return {
        "quiet_hours": _listed(form.text("quiet_hours")),
        "quiet_hours_on": on,
        "daily_limit": form.text("daily_limit"),
    }


def _duty(form: Form) -> dict[str, Any]:
    people: dict[str, Any] = {}
    for row in _rows("person", form):
        person = {name: form.text(f"{row}.{name}") for name in ("name", "phone", "email")}
        if any(person.values()) and f"{row}.gone" not in form:
            people[form.text(f"{row}.key") or _new_key(person["name"], people)] = person
    minutes = ("emergency_step_minutes", "step_minutes", "urgent_take_minutes")
    return {"people": people, "shifts": list(_shifts(form)), **{name: form.text(name) for name in minutes}}


def _shifts(form: Form) -> Iterator[dict[str, Any]]:
    for row in _rows("shift", form):
        days, dates = list(form.all(f"{row}.days")), _listed(form.text(f"{row}.dates"))
        people = [each for each in form.all(f"{row}.people") if each]
        if (days or dates or people) and f"{row}.gone" not in form:
            yield {
                "days": days,
                "dates": dates,
                "hours": form.text(f"{row}.hours") or "00:00-24:00",
                "people": list(dict.fromkeys(people)),
            }


def _rows(kind: str, form: Form) -> Iterator[str]:
    numbers = {match[1] for name, _ in form.fields if (match := re.fullmatch(rf"{kind}\.(\d{{1,2}})\.\w+", name))}
    yield from (f"{kind}.{number}" for number in sorted(map(int, numbers))[:_MOST_ROWS])


def _new_key(name: str, taken: Mapping[str, Any]) -> str:
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "person"
    return next(key for key in (plain, *(f"{plain}_{more}" for more in range(2, 99))) if key not in taken)


def _listed(text: str) -> list[str]:
    if text.strip().lower() in {_NONE, gettext(_NONE)}:
        return []
    return [part for part in re.split(r"[,;\s]+", re.sub(r"\s*[-–]\s*(?=\d\d:)", "-", text)) if part]


_READERS: Mapping[str, Callable[[Form], dict[str, Any]]] = MappingProxyType(
    {"practice": _practice, "opening_hours": _opening_hours, "contact": _contact, "duty": _duty}
)
