"""`reminders sheet`: what a patient takes home, printed again, with the way to their own page."""

from __future__ import annotations

from pathlib import Path

import click

from reminders.cli.course_tables import show_sheet
from reminders.cli.options import opened
from reminders.desk.course_sheet import sheet_of_course
from reminders.desk.patient_page import give_new_link
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError
from reminders.words import gettext


@click.command(
    epilog="\b\nExamples:\n  reminders sheet 12\n  reminders sheet 12 --output sheet.pdf\n"
    "  reminders sheet 12 --new-link      (the old sheet was lost, or its code mistyped too often)\n",
)
@click.argument("enrollment", type=int)
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the sheet to a file: .html, .pdf or .txt by its name.",
)
@click.option(
    "--new-link", is_flag=True, help="Give the patient's page a new link and code; the old ones are void then."
)
@click.pass_context
def sheet(ctx: click.Context, enrollment: int, output: Path | None, new_link: bool) -> None:
    """Print the sheet of ENROLLMENT.

    With `address` in [web] of the configuration, it leads to the patient's own page: by a link, a QR code and a code to
    type.
    """
    app = opened(ctx)
    rules = app.page_rules
    if new_link and rules is None:
        raise InputError(gettext("no pages are served to patients; `address` in [web] of the configuration is empty"))
    with app.database.writing() as session:
        if new_link and rules is not None:
            give_new_link(session, app.desk, rules, enrollment)
        found, patient_id = sheet_of_course(session, app.desk, rules, enrollment)
        note_change(session, app.desk, Action.COURSE_SEE, (patient_id, f"enrollment {enrollment}"))
    show_sheet(found, app.library.shared, output)
