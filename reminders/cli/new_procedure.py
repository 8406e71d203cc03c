"""`reminders new-procedure`: begins the folder of a plan that a practice writes itself."""

from __future__ import annotations

import click

from reminders.assembly import assemble_for_preview
from reminders.cli.options import config_path
from reminders.cli.terminal import line
from reminders.desk.new_procedure import begin_procedure, unfinished
from reminders.words import gettext, marked


@click.command("new-procedure", epilog='\b\nExample:\n  reminders new-procedure mole-check --title "Check of a mole"\n')
@click.argument("procedure", metavar="ID")
@click.option("--title", default="", help="The procedure's name in words; made from the ID when left out.")
@click.pass_context
def new_procedure(ctx: click.Context, procedure: str, title: str) -> None:
    """Write a new folder for the procedure ID, with a plan that loads and texts that say TODO.

    A plan in which anything still says TODO can't be approved, and `reminders check` shows where.
    """
    app, _ = assemble_for_preview(config_path(ctx))
    folder = app.config.templates_folder
    for path in begin_procedure(folder, procedure, title=title):
        line(str(path))
    open_ends = unfinished(app.library.get(procedure).plan)
    said = marked("{count} places say TODO. Write them, then run: {command}")
    line(gettext(said, count=len(open_ends), command=f"reminders check {procedure}"))
