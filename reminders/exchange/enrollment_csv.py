"""The columns of a list of patients to enroll: their names, other spellings of them, and what their cells may hold."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from reminders.errors import InputError
from reminders.exchange.csv_text import CsvRow, columns_of, read_table, simple_heading
from reminders.exchange.spreadsheet import is_workbook, read_sheet
from reminders.words import gettext, marked

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "first_name": ("first", "firstname", "given_name", "forename", "patient_first_name"),
    "last_name": ("last", "lastname", "surname", "family_name", "patient_last_name"),
    "phone": ("mobile", "cell", "cell_phone", "mobile_phone", "telephone", "tel", "phone_number", "mobile_number"),
    "email": ("e_mail", "mail", "email_address", "e_mail_address"),
    "language": ("lang", "preferred_language"),
    "zone": ("time_zone", "timezone", "tz"),
    "procedure": ("procedure_id", "plan"),
    "end": ("procedure_end", "end_of_procedure", "ended", "ended_at", "end_time"),
    "date": ("day", "procedure_date", "date_of_procedure"),
    "time": ("time_of_day", "procedure_time", "finished"),
    "factors": ("factor", "patient_factors", "risk_factors", "risks"),
    "visit": ("return_visit", "follow_up", "next_visit", "appointment"),
    "block_placed": ("block", "block_at", "block_placed_at"),
    "dressing_applied": ("dressing", "dressing_at", "dressing_applied_at"),
    "channel": ("contact_by", "by", "send_by"),
    "site": ("toe", "side", "treated_site"),
    "consent": ("consents", "consented", "agreed", "consent_given"),
    "night_contact": ("night", "night_contact_agreed"),
    "again": ("second_course",),
}
"""Column → other headings it may have; case, spaces, hyphens and underscores make no difference."""

SETTING = "set:"
SLOT = "slot:"
_SLOTS = ("morning", "midday", "evening", "bedtime")
_YES = frozenset(["yes", "y", "true", "1", "x", "ja", "si", "sí", "oui", "ok", "agreed", "given"])
_NO = frozenset(["no", "n", "false", "0", "-", "nein", "non", "none", "not"]) | {""}
_ROUNDED = re.compile(r"\s*\d+([.,]\d+)?E\+?\d+\s*", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class EnrollmentRow:
    """One patient of the list, as typed; only the form was checked."""

    line: int
    values: Mapping[str, str]
    """Column → cell, the empty ones left out; settings as `set:NAME`, times of day as `slot:NAME`."""
    problems: tuple[str, ...]

    def says(self, name: str) -> bool | None:
        """Return a yes or no, None for an empty cell; what is neither was named among the problems."""
        text = self.values.get(name)
        return None if text is None else text.casefold() in _YES


@dataclass(frozen=True, kw_only=True)
class EnrollmentList:
    """A list of patients that was read."""

    encoding: str
    columns: frozenset[str]
    headings: Mapping[str, str]
    """Heading in the file → the column it was read as; "" for one that was left out."""
    rows: tuple[EnrollmentRow, ...]


@dataclass(frozen=True, kw_only=True)
class ListForm:
    """What the caller says about a list's form."""

    settings: Collection[str] = ()
    """Those of the plan; each may be a column."""
    given: Collection[str] = ()
    """What the caller says for the rows that don't."""
    ignored: Collection[str] = ()
    """Headings that are left out."""
    renamed: Mapping[str, str] = field(default_factory=dict)
    """Heading in the file → the column it means."""
    sheet: str | None = None
    """Of a workbook; None for its first."""


def read_enrollments(content: bytes, form: ListForm) -> EnrollmentList:
    """Read a list of patients, from CSV or a workbook.

    Raises InputError that lists every unknown, repeated and missing column; faults of single rows are theirs.
    """
    table = read_sheet(content, sheet=form.sheet) if is_workbook(content) else read_table(content)
    header = _as_meant(table.header, form)
    try:
        places = columns_of(header, _known(form.settings))
    except InputError as error:
        raise InputError(
            *error.problems,
            gettext(
                "known columns are {known}; leave others out, or name them with --ignore", known=", ".join(COLUMNS)
            ),
        ) from None
    if missing := _missing({*places, *form.given}):
        raise InputError(*missing)
    by_place = {place: name for name, place in places.items()}
    return EnrollmentList(
        encoding=table.encoding,
        columns=frozenset(places),
        headings={heading: by_place.get(place, "") for place, heading in enumerate(table.header) if heading},
        rows=tuple(_row(row, places, header, table.header) for row in table.rows),
    )


def _as_meant(header: tuple[str, ...], form: ListForm) -> tuple[str, ...]:
    """Return the header with the caller's names for its columns; raises InputError for a heading that is not there."""
    there = {simple_heading(heading) for heading in header}
    meant = {simple_heading(heading): column for heading, column in form.renamed.items()}
    meant |= {simple_heading(heading): "" for heading in form.ignored}
    wrong = [
        gettext("there is no column {heading!r} in the file", heading=heading)
        for heading in form.renamed
        if simple_heading(heading) not in there
    ]
    if wrong:
        raise InputError(*wrong)
    return tuple(meant.get(simple_heading(heading), heading) for heading in header)


def _known(settings: Collection[str]) -> dict[str, str]:
    known = {spelling: name for name, others in COLUMNS.items() for spelling in (name, *others)}
    for name in settings:
        known[simple_heading(name)] = known[f"set_{simple_heading(name)}"] = SETTING + name
    for name in _SLOTS:
        known[name] = known[f"slot_{name}"] = SLOT + name
    return known


def _missing(there: Collection[str]) -> list[str]:
    needed = (
        ("first_name", ("first_name",)),
        (marked("phone (or email)"), ("phone", "email")),
        (marked("end (or date and time)"), ("end", "date")),
        ("consent", ("consent",)),
    )
    problems = [
        gettext("column {name} is missing", name=gettext(name))
        for name, any_of in needed
        if not any(each in there for each in any_of)
    ]
    if "date" in there and "time" not in there and "end" not in there:
        problems.append(gettext("column time is missing beside date"))
    return problems


def _row(row: CsvRow, places: Mapping[str, int], header: tuple[str, ...], named: tuple[str, ...]) -> EnrollmentRow:
    values = {name: row.cells[place] for name, place in places.items() if row.cells[place]}
    problems = list(row.problems)
    stray = [place for place, heading in enumerate(header) if not heading and not named[place] and row.cells[place]]
    if stray:
        problems.append(gettext("cell {number} belongs to a column without a name", number=stray[0] + 1))
    for name in ("consent", "night_contact", "again"):
        text = values.get(name, "").casefold()
        if text not in _YES | _NO:
            problems.append(gettext("{name}: {cell!r} is neither yes nor no", name=name, cell=values[name][:40]))
    if _ROUNDED.fullmatch(values.get("phone", "")):
        problems.append(gettext("phone: the spreadsheet rounded the number; make its column text and type it again"))
    if "end" not in values and "date" in values and "time" in values:
        values["end"] = f"{values['date']} {values['time']}"
    return EnrollmentRow(line=row.line, values=values, problems=tuple(problems))
