"""`reminders enroll --list`: a list of patients, with a report that names every row that could not be enrolled."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from reminders.assembly import App
from reminders.cli.faults import AT_FAULT, DONE, FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.terminal import line, show_rows, table, warn
from reminders.desk.enroll import EnrollmentInput
from reminders.desk.enroll_list import ListResult, ListRules, RowResult, RowState, enroll_list
from reminders.errors import InputError
from reminders.exchange.csv_text import LARGEST_FILE
from reminders.exchange.enrollment_csv import EnrollmentList, ListForm, read_enrollments
from reminders.words import gettext, marked, ngettext, retold


@dataclass(frozen=True, kw_only=True)
class FileOptions:
    """How a list is read and enrolled."""

    ignored: Sequence[str]
    renamed: Mapping[str, str]
    sheet: str | None
    all_or_nothing: bool
    dry_run: bool
    as_json: bool


def renamed_by(options: Sequence[str]) -> dict[str, str]:
    """Return what `--column HEADING=COLUMN` says; raises InputError for what is not like that."""
    pairs = [option.rpartition("=") for option in options]
    if wrong := [
        option for option, (heading, _, column) in zip(options, pairs, strict=True) if not heading or not column
    ]:
        raise InputError(gettext("{option!r}: write it like --column 'Mobile no.=phone'", option=wrong[0]))
    return {heading.strip(): column.strip() for heading, _, column in pairs}


def enroll_file(app: App, path: Path, given: EnrollmentInput, options: FileOptions) -> int:
    """Enroll a list and report; returns the exit status: 1 when rows were left, 2 when nothing could be stored."""
    as_json, dry_run = options.as_json, options.dry_run
    found = _read(app, path, given, options)
    if "consent" in found.columns:
        given = replace(given, consent=False)  # an empty cell is no consent, whatever was said for the list
    if found.encoding == "cp1252" and not as_json:
        warn(gettext("the file is no UTF-8 and was read as Windows-1252; look at the accents"))
    with _progress(len(found.rows), quiet=as_json) as progress:
        task = progress.add_task(gettext("Enrolling"), total=len(found.rows))
        rules = ListRules(
            all_or_nothing=options.all_or_nothing, rehearse=dry_run, seen=lambda _row: progress.advance(task)
        )
        result = enroll_list(app.database, app.desk, found.rows, given, rules)
    if as_json:
        print_json(_as_json(path, found, result))
    else:
        if dry_run:
            _show_columns(found)
        _show(result, rehearsed=dry_run)
    return _status(result, rehearsed=dry_run)


def _read(app: App, path: Path, given: EnrollmentInput, options: FileOptions) -> EnrollmentList:
    said = {
        "first_name": given.first_name,
        "phone": given.phone,
        "email": given.email,
        "end": given.course.end,
        "consent": given.consent,
    }
    settings = tuple(app.library.get(given.procedure).plan.file.settings)
    try:
        form = ListForm(
            settings=settings,
            given=[name for name, value in said.items() if value],
            ignored=options.ignored,
            renamed=options.renamed,
            sheet=options.sheet,
        )
        return read_enrollments(_content(path), form)
    except InputError as error:
        raise InputError(f"{path}:", *error.problems) from None


def _content(path: Path) -> bytes:
    if str(path) == "-":
        return sys.stdin.buffer.read()
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise InputError(gettext("the file has more than {number:,} bytes; split it", number=LARGEST_FILE))
        return path.read_bytes()
    except OSError as error:
        raise InputError(gettext("it can't be read: {why}", why=error.strerror)) from None


def _progress(total: int, *, quiet: bool) -> Progress:
    screen = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    return Progress(*columns, console=screen, transient=True, disable=quiet or total < 20 or not screen.is_terminal)


def _status(result: ListResult, *, rehearsed: bool) -> int:
    faulty = result.of(RowState.FAULTY)
    if not faulty:
        return DONE
    nothing = not result.of(RowState.ENROLLED) or (not result.stored and not rehearsed)
    return AT_FAULT if nothing else FELL_SHORT


def _show(result: ListResult, *, rehearsed: bool) -> None:
    faulty, already, enrolled = (result.of(state) for state in (RowState.FAULTY, RowState.ALREADY, RowState.ENROLLED))
    if faulty:
        show_rows(
            table(
                (gettext("Line"), {"justify": "right"}),
                (gettext("What to correct"), {"ratio": 1}),
                title=gettext("Not enrolled"),
            ),
            ((str(row.line), "\n".join(map(retold, row.problems))) for row in faulty),
        )
    if already:
        show_rows(
            table(
                (gettext("Line"), {"justify": "right"}),
                (gettext("Enrollment"), {"ratio": 1}),
                title=gettext("Enrolled before, left alone"),
            ),
            ((str(row.line), str(row.enrollment_id)) for row in already),
        )
    with_warnings = [row for row in enrolled if row.warnings]
    if with_warnings:
        show_rows(
            table(
                (gettext("Line"), {"justify": "right"}),
                (gettext("Enrollment"), {"justify": "right"}),
                (gettext("Look at this"), {"ratio": 1}),
                title=gettext("Warnings"),
            ),
            ((str(row.line), _number(row, result), "\n".join(map(retold, row.warnings))) for row in with_warnings),
        )
    line(_total(result, rehearsed=rehearsed), style="bold")


def _show_columns(found: EnrollmentList) -> None:
    """Show how the file was understood, with the first patient's cells."""
    first = found.rows[0].values if found.rows else {}
    show_rows(
        table(
            gettext("Heading"),
            gettext("Read as"),
            (gettext("In the first row"), {"ratio": 1}),
            title=gettext("Columns"),
        ),
        ((heading, name or gettext("left out"), first.get(name, "")) for heading, name in found.headings.items()),
    )


def _number(row: RowResult, result: ListResult) -> str:
    return str(row.enrollment_id) if result.stored else ""


def _total(result: ListResult, *, rehearsed: bool) -> str:
    enrolled, already, faulty = (len(result.of(state)) for state in RowState)
    rows = ngettext("{number} row", "{number} rows", enrolled + already + faulty)
    sound = marked("{rows}: {sound} sound, {already} enrolled before, {faulty} faulty.")
    stored = marked("{rows}: {sound} enrolled, {already} enrolled before, {faulty} faulty.")
    counts = gettext(
        stored if result.stored and not rehearsed else sound,
        rows=rows,
        sound=enrolled,
        already=already,
        faulty=faulty,
    )
    if rehearsed:
        return f"{counts} {gettext('Nothing was stored, as you said --dry-run.')}"
    if not result.stored:
        return f"{counts} {gettext('Nothing was stored: correct the faulty rows and enroll the file again.')}"
    if faulty:
        again = gettext("Correct the faulty ones and enroll the file again: the others are recognised.")
        return f"{counts} {again}"
    return counts


def _as_json(path: Path, found: EnrollmentList, result: ListResult) -> dict[str, Any]:
    counts = {str(state): len(result.of(state)) for state in RowState}
    return {
        "file": str(path),
        "encoding": found.encoding,
        "columns": dict(found.headings),
        "stored": result.stored,
        **counts,
        "rows": [_row_as_json(row, stored=result.stored) for row in result.rows],
    }


def _row_as_json(row: RowResult, *, stored: bool) -> dict[str, Any]:
    known = stored or row.state is RowState.ALREADY
    return {
        "line": row.line,
        "state": str(row.state),
        "enrollment": row.enrollment_id if known else None,
        "patient": row.patient_id if known else None,
        "problems": list(row.problems),
        "warnings": list(row.warnings),
    }
