"""`reminders preview`: what a plan would send for given facts."""

from __future__ import annotations

from pathlib import Path
from typing import Unpack

import click

from reminders.assembly import assemble_for_preview
from reminders.cli.json_output import print_json
from reminders.cli.options import (
    CourseFacts,
    config_path,
    course_input,
    course_options,
    json_option,
    procedure_argument,
)
from reminders.desk.preview import as_rows, with_quiet_hours
from reminders.desk.preview import preview as preview_course
from reminders.errors import InputError
from reminders.words import gettext


@click.command(
    epilog="""\b
Examples:
  reminders preview partial-nail-avulsion-chemical --end 2026-03-07T15:30 --zone America/Chicago
  reminders preview partial-nail-avulsion-chemical --end 2026-03-07T18:10 --zone America/Chicago \\
      --factor diabetes --set anaesthetic=bupivacaine --visit 2026-03-21T10:00 --json
  reminders preview partial-nail-avulsion-chemical --end 2026-03-07T15:30 --zone America/Chicago --sheet \\
      --output sheet.pdf
""",
)
@procedure_argument
@course_options
@click.option("--quiet", metavar="HH:MM-HH:MM", help="Other quiet hours than the configured ones; `none` for none.")
@click.option("--first-name", default="", help="The name to greet.")
@click.option("--sheet", is_flag=True, help="Print the sheet that the patient takes home.")
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the sheet to a file: .html, .pdf or .txt by its name.",
)
@json_option
@click.pass_context
def preview(
    ctx: click.Context,
    procedure: str,
    quiet: str | None,
    first_name: str,
    sheet: bool,
    output: Path | None,
    as_json: bool,
    **facts: Unpack[CourseFacts],
) -> None:
    """Show every message PROCEDURE would send: when, why then, and its words.

    Changes nothing and needs no database. Times without an offset are in --zone.
    """
    app, configured = assemble_for_preview(config_path(ctx))
    practice = app.config.practice
    if not configured and not as_json:
        click.echo(gettext("No configuration here: an invented practice stands in."), err=True)
    house = app.house if quiet is None else with_quiet_hours(app.house, quiet)
    if not facts["end"]:
        raise InputError(gettext("--end is needed: when the procedure ended, like 2026-03-07T15:30"))
    given = course_input(facts, app.config)
    ready = app.library.get(procedure)
    composed = preview_course(ready, given, house, first_name=first_name, region=practice.region)
    if as_json:
        print_json(as_rows(composed))
        return
    from reminders.cli.course_tables import show_course, show_sheet  # noqa: PLC0415  --json needs no tables
    from reminders.desk.sheet import sheet_of  # noqa: PLC0415

    if sheet or output:
        show_sheet(sheet_of(composed, house, first_name=first_name), app.library.shared, output)
    else:
        show_course(composed)
