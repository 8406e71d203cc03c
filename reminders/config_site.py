"""Settings that the practice changes on its pages: which they are, and how they lie over those of the file.

Where data is kept, who the program talks to and its secrets stay in the file, and so does what decides who the practice
is to the database: its id, zone, country and languages.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from reminders.care.quiet_hours import WEEKDAYS
from reminders.config import Config, ContactSection, OpeningHours, PracticeSection
from reminders.config_desk import DutySection
from reminders.config_parts import Section
from reminders.sentences import english

KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "practice": ("name", "phone", "after_hours_phone", "emergency_number", "email", "visit_minutes"),
        "opening_hours": (*WEEKDAYS, "closed_on"),
        "contact": ("quiet_hours", "quiet_hours_on", "daily_limit"),
        "duty": ("people", "shifts", "emergency_step_minutes", "step_minutes", "urgent_take_minutes"),
    }
)
"""The sections, and of each the keys that may be changed."""

_PLAIN: Mapping[str, str] = MappingProxyType(
    {
        "string_too_short": english("must not be empty"),
        "too_short": english("must not be empty"),
        "missing": english("must not be empty"),
        "string_too_long": english("has more than {max_length} characters"),
        "string_pattern_mismatch": english("has characters that can't stand there"),
        "int_parsing": english("is no whole number"),
        "int_type": english("is no whole number"),
        "greater_than_equal": english("must be {ge} or more"),
        "less_than_equal": english("must be {le} or less"),
        "date_from_datetime_parsing": english("a day looks like 2026-12-25"),
        "literal_error": english("is none of those there are"),
    }
)

Values = Mapping[str, Any]
"""Keys of a section with their values, as JSON holds them."""


class SettingFaults(ValueError):
    """Values that the section does not take: everything that is wrong, by the key's path (`monday.0`)."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{path}: {fault}" if path else fault for path, fault in faults.items()))
        self.faults = faults


def section_of(config: Config, name: str) -> Section:
    """Return a section as it stands in a configuration."""
    sections: dict[str, Section] = {
        "practice": config.practice,
        "opening_hours": config.practice.opening_hours,
        "contact": config.contact,
        "duty": config.duty,
    }
    return sections[name]


def values_of(config: Config, name: str) -> dict[str, Any]:
    """Return what may be changed of a section, as JSON holds it."""
    return section_of(config, name).model_dump(mode="json", include=set(KEYS[name]))


def laid_over(written: Config, name: str, values: Values) -> Config:
    """Return the configuration with some values of a section changed; SettingFaults when it can't have them."""
    kinds: dict[str, type[Section]] = {
        "practice": PracticeSection,
        "opening_hours": OpeningHours,
        "contact": ContactSection,
        "duty": DutySection,
    }
    unknown = {key: english("this key is not known") for key in values if key not in KEYS[name]}
    if unknown:
        raise SettingFaults(unknown)
    try:
        section = kinds[name].model_validate({**section_of(written, name).model_dump(), **values})
    except ValidationError as error:
        raise SettingFaults(_faults(error)) from None
    if name == "opening_hours":
        return written.model_copy(update={"practice": written.practice.model_copy(update={name: section})})
    return written.model_copy(update={name: section})


def _faults(error: ValidationError) -> dict[str, str]:
    found: dict[str, str] = {}
    for each in error.errors(include_url=False, include_input=False):
        path = ".".join(str(part) for part in each["loc"])
        plain = _PLAIN.get(each["type"])
        said = plain.format(**each.get("ctx", {})) if plain else each["msg"].removeprefix("Value error, ")
        found.setdefault(path, said)
    return found
