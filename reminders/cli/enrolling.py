"""`reminders enroll`: one patient at checkout, by options or by questions, or a list of them from a CSV file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Unpack

import click

from reminders.assembly import App
from reminders.care.values import Outcome
from reminders.cli.enroll_file import FileOptions, enroll_file, renamed_by
from reminders.cli.enroll_questions import ask_for_missing
from reminders.cli.json_output import print_json
from reminders.cli.options import (
    CourseFacts,
    about_to_show,
    acting,
    by_option,
    course_input,
    course_options,
    json_option,
    opened,
    procedure_argument,
)
from reminders.cli.terminal import line, show_rows, somebody_is_there, table, warn, when
from reminders.desk.enroll import STANDARD_CONSENT, Enrolled, EnrollmentInput, shown_by_trial
from reminders.desk.enroll import enroll as enroll_patient
from reminders.desk.row_of_list import input_of
from reminders.desk.shapes import enrolled_as_json
from reminders.desk.trail import Action
from reminders.desk.waiting import Waiting, note_enrolled, one_waiting
from reminders.errors import InputError
from reminders.exchange.enrollment_csv import EnrollmentRow
from reminders.words import gettext, ngettext


@click.command(
    epilog="""\b
Examples:
  reminders enroll partial-nail-avulsion-chemical
      asks for everything, at a terminal
  reminders enroll partial-nail-avulsion-chemical --first-name Robin --last-name Example \\
      --phone 312-555-0123 --end 2026-03-07T15:30 --factor none --consent
  reminders enroll partial-nail-avulsion-chemical --csv today.csv --dry-run
  reminders enroll partial-nail-avulsion-chemical --csv today.csv --all-or-nothing --json
\b
A CSV file names its columns in the first line: first_name, phone (or email), end (or date and time) and consent
are needed; last_name, language, zone, factors, visit, site and others may be there. Rows that were enrolled
before are recognised and left alone.
\b
Factors: `--factor none` says that you asked and there are none. Without any, the pain-relief text asks the
patient to call first.
""",
)
@procedure_argument
@click.option("--first-name", help="The name to greet.")
@click.option("--last-name", help="Tells apart patients who share a number.")
@click.option("--phone", help="The mobile number, in any usual format.")
@click.option("--email", help="The e-mail address.")
@click.option("--consent", is_flag=True, help="The patient agreed to be written to at these addresses.")
@click.option("--consent-wording", metavar="TEXT", help="What was read out, if not the usual words.")
@click.option("--again", is_flag=True, help="A second course for the same procedure and day is meant.")
@course_options
@click.option(
    "--list",
    "--csv",
    "list_file",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    help="Enroll a list, CSV or a workbook (.xlsx, .ods, .xls); other options then fill what a row does not say.",
)
@click.option("--sheet", metavar="NAME", help="With --list: the sheet of a workbook, if not its first.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="HEADING=COLUMN",
    help="With --list: what a heading of the file means, like 'Mobile no.=phone'.",
)
@click.option("--waiting", type=int, metavar="NUMBER", help="Enroll one of those that `reminders waiting` lists.")
@click.option("--all-or-nothing", is_flag=True, help="With --list: store nothing when any row is faulty.")
@click.option("--dry-run", is_flag=True, help="Check everything and store nothing.")
@click.option("--ignore", "ignored", multiple=True, metavar="COLUMN", help="With --list: a column to leave out.")
@by_option
@json_option
@click.pass_context
def enroll(
    ctx: click.Context,
    procedure: str,
    first_name: str | None,
    last_name: str | None,
    phone: str | None,
    email: str | None,
    consent: bool,
    consent_wording: str | None,
    again: bool,
    list_file: Path | None,
    sheet: str | None,
    columns: tuple[str, ...],
    all_or_nothing: bool,
    dry_run: bool,
    ignored: tuple[str, ...],
    waiting: int | None,
    by: str | None,
    as_json: bool,
    **facts: Unpack[CourseFacts],
) -> int:
    """Enroll a patient for PROCEDURE: store patient, consent, course and every message, or nothing.

    Times without an offset are in the patient's zone, which is the practice's unless said.
    """
    app = opened(ctx)
    app.library.get(procedure)
    given = EnrollmentInput(
        procedure=procedure,
        first_name=first_name or "",
        last_name=last_name or "",
        phone=phone or "",
        email=email or "",
        course=course_input(facts, app.config),
        consent=consent,
        consent_wording=consent_wording or STANDARD_CONSENT,
        recorded_by=acting(by),
        again=again,
    )
    if list_file is not None:
        options = FileOptions(
            ignored=ignored,
            renamed=renamed_by(columns),
            sheet=sheet,
            all_or_nothing=all_or_nothing,
            dry_run=dry_run,
            as_json=as_json,
        )
        return enroll_file(app, list_file, given, options)
    if all_or_nothing or ignored or columns or sheet:
        raise InputError(gettext("--all-or-nothing, --column, --ignore and --sheet go with --list"))
    if waiting is not None:
        with app.database.reading() as session:
            given = _told(one_waiting(session, app.desk, waiting), given)
        about_to_show(app, Action.WAITING_SEE, (None, f"waiting {waiting}"))
    if somebody_is_there():
        given = ask_for_missing(app, given)
    _require(given)
    enrolled = _enroll(app, given, waiting, dry_run=dry_run)
    _show(enrolled, given, dry_run=dry_run, as_json=as_json)
    return 0


def _require(given: EnrollmentInput) -> None:
    """Name what no rule of the desk can name: the options that hold it."""
    if not given.course.end:
        raise InputError(gettext("--end is needed: when the procedure ended, like 2026-03-07T15:30"))


def _told(found: Waiting, given: EnrollmentInput) -> EnrollmentInput:
    """Return what was typed, with what another system told where nothing was."""
    row = EnrollmentRow(line=0, values={**found.told, "procedure": given.procedure}, problems=())
    told = input_of(row, given)
    names = ("first_name", "last_name", "phone", "email")
    typed: dict[str, Any] = {name: value for name in names if (value := getattr(given, name))}
    course = replace(
        told.course, end=given.course.end or told.course.end, visit=given.course.visit or told.course.visit
    )
    return replace(told, **typed, course=course)


def _enroll(app: App, given: EnrollmentInput, waiting: int | None, *, dry_run: bool) -> Enrolled:
    with app.database.writing() as session:
        enrolled = enroll_patient(session, app.desk, given)
        if waiting is not None:
            note_enrolled(session, app.desk, waiting, enrolled.enrollment_id, by=given.recorded_by)
        if dry_run:
            session.rollback()
    if dry_run:
        about_to_show(app, Action.PATIENT_TRY, *shown_by_trial(enrolled))
    return enrolled


def _show(enrolled: Enrolled, given: EnrollmentInput, *, dry_run: bool, as_json: bool) -> None:
    if as_json:
        print_json(enrolled_as_json(enrolled, stored=not dry_run))
        return
    course = enrolled.composed.resolved.course
    sent = [each.joined.send_at for each in enrolled.composed.messages if each.joined.outcome is Outcome.SCHEDULED]
    name = f"{given.first_name.strip()} {given.last_name.strip()}".strip()
    if dry_run:
        line(gettext("{name} could be enrolled; nothing was stored.", name=name), style="bold")
    else:
        said = gettext(
            "Enrolled {name}: patient {patient}, enrollment {enrollment}.",
            name=name,
            patient=enrolled.patient_id,
            enrollment=enrolled.enrollment_id,
        )
        line(said, style="bold green")
    if sent:
        said = ngettext(
            "{number} message by {channel}, from {first} to {last} ({zone}).",
            "{number} messages by {channel}, from {first} to {last} ({zone}).",
            len(sent),
            channel=course.channel,
            first=when(min(sent), course.zone),
            last=when(max(sent), course.zone),
            zone=course.zone.key,
        )
        line(said)
    for warning in enrolled.warnings:
        warn(warning)
    _show_spoken(enrolled)
    if not dry_run:
        line(gettext("See them: {command}", command=f"reminders messages {enrolled.enrollment_id}"), style="dim")


def _show_spoken(enrolled: Enrolled) -> None:
    """Print what staff must say now, word for word."""
    if enrolled.say_at_desk:
        show_rows(
            table((gettext("Say at the desk"), {"style": "bold"}), (gettext("Words"), {"ratio": 1})),
            (
                (member.key.replace("_", " "), enrolled.composed.words.body(member))
                for each in enrolled.say_at_desk
                for member in each.joined.members
            ),
        )
