"""Reads the list of patients that the front desk typed, and says when each of them stands at the desk."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from reminders.assembly import App
from reminders.desk.course_facts import CourseInput, parse_moment
from reminders.desk.enroll import EnrollmentInput
from reminders.desk.row_of_list import input_of
from reminders.errors import InputError
from reminders.exchange.enrollment_csv import EnrollmentRow, ListForm, read_enrollments

LEAD = "partial-nail-avulsion-chemical"
_TO_THE_DESK = timedelta(minutes=5)
"""From the end of the procedure until the patient is enrolled."""


@dataclass(frozen=True, kw_only=True)
class Checkout:
    """A patient is enrolled at the desk."""

    at: datetime
    name: str
    row: EnrollmentRow
    given: EnrollmentInput
    """What holds for rows that don't say otherwise."""


def read_checkouts(path: Path, app: App) -> tuple[Checkout, ...]:
    """Read the list; whoever has no readable moment stands at the desk first."""
    practice = app.config.practice
    given = EnrollmentInput(
        procedure=LEAD,
        first_name="",
        course=CourseInput(end="", zone=practice.zone, language=practice.language),
        consent=False,
        recorded_by="Front desk (invented)",
    )
    settings = app.library.get(LEAD).plan.file.settings
    rows = read_enrollments(path.read_bytes(), ListForm(settings=tuple(settings))).rows
    ends = [_end_of(input_of(row, given), practice.region) for row in rows]
    first = min(end for end in ends if end)
    return tuple(
        Checkout(at=(end or first) + _TO_THE_DESK, name=name_in(row), row=row, given=given)
        for row, end in zip(rows, ends, strict=True)
    )


def name_in(row: EnrollmentRow) -> str:
    """Return the name that was typed."""
    return " ".join(row.values.get(part, "") for part in ("first_name", "last_name")).strip()


def _end_of(given: EnrollmentInput, region: str) -> datetime | None:
    try:
        return parse_moment(given.course.end, ZoneInfo(given.course.zone), what="end", region=region)
    except InputError:
        return None
