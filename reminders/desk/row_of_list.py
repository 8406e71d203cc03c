"""What a row of a list says about an enrollment, and what the desk says for all rows."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from reminders.desk.read_enrollment import EnrollmentInput
from reminders.exchange.enrollment_csv import SETTING, SLOT, EnrollmentRow

_BETWEEN_FACTORS = re.compile(r"[;,|/\n]")
_COURSE_COLUMNS = ("end", "zone", "language", "visit", "block_placed", "dressing_applied", "channel", "site")
_PERSON_COLUMNS = ("procedure", "first_name", "last_name", "phone", "email")


def input_of(row: EnrollmentRow, given: EnrollmentInput) -> EnrollmentInput:
    """Return what the desk gives for a row: its own cells, and `given` where they are empty."""
    said = row.values
    own: dict[str, Any] = {name: said[name] for name in _COURSE_COLUMNS if name in said}
    course = replace(given.course, **own)
    if "factors" in said:
        course = replace(course, factors=tuple(part.strip() for part in _BETWEEN_FACTORS.split(said["factors"])))
    settings = {name.removeprefix(SETTING): text for name, text in said.items() if name.startswith(SETTING)}
    slots = {name.removeprefix(SLOT): text for name, text in said.items() if name.startswith(SLOT)}
    night = row.says("night_contact")
    course = replace(
        course,
        settings={**course.settings, **settings},
        slots={**course.slots, **slots},
        night_contact_agreed=course.night_contact_agreed if night is None else night,
    )
    person: dict[str, Any] = {name: said[name] for name in _PERSON_COLUMNS if name in said}
    consent, again = row.says("consent"), row.says("again")
    return replace(
        given,
        course=course,
        consent=given.consent if consent is None else consent,
        again=given.again if again is None else again,
        **person,
    )
