"""`reminders move`: from the SQLite file to a PostgreSQL server, when a practice has outgrown the one."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from reminders.cli.json_output import print_json
from reminders.cli.options import assembled, at_terminal, config_path, json_option, yes_option
from reminders.cli.terminal import confirm, line
from reminders.desk.trail import Action, note_change
from reminders.records.database import open_database
from reminders.records.moving import move as move_rows
from reminders.words import gettext

_MOVED = ".moved"


@click.command(
    epilog="""\b
Examples:
  reminders move --to postgresql+psycopg://reminders@db.example.org/reminders
\b
Stop `reminders run` and `reminders serve` first; nobody can write meanwhile. Every row is copied as it is, still
sealed, and compared in the new database before any of it counts: all or nothing. The old file then gets another name,
so that no program goes on with it. Name the new database in the configuration, and start again.
""",
)
@click.option("--to", "target", required=True, metavar="ADDRESS", help="The empty PostgreSQL database.")
@yes_option
@json_option
@click.pass_context
def move(ctx: click.Context, target: str, yes: bool, as_json: bool) -> None:
    """Move everything from the SQLite file into a PostgreSQL database."""
    app = assembled(ctx, config_path(ctx))
    where = urlsplit(target).hostname or gettext("this machine")
    confirm(gettext("Move everything to the database on {host}?", host=where), yes=yes or as_json)
    source = app.database
    screen = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=screen, transient=True, disable=as_json or not screen.is_terminal) as progress:
        tasks = {}

        def tell(table: str, done: int, total: int) -> None:
            if table not in tasks:
                tasks[table] = progress.add_task(table, total=total)
            progress.update(tasks[table], completed=done)

        moved = move_rows(source, target, app.keyring, tell=tell)
    old = Path(str(source.engine.url.database))
    source.close()
    there = open_database(target, app.keyring)
    with there.writing(by=at_terminal()) as session:
        note_change(session, app.desk, Action.DATABASE_MOVE, (None, ""), {"rows": sum(each.rows for each in moved)})
    there.close()
    kept = old.rename(old.with_name(old.name + _MOVED))
    rows = {each.name: each.rows for each in moved}
    if as_json:
        print_json({"rows": rows, "old_file": str(kept)})
        return
    line(gettext("{rows:,} rows in {tables} tables moved, each compared.", rows=sum(rows.values()), tables=len(rows)))
    line(gettext("The old file is {file} now. Name the new database in the configuration: database = …", file=kept))
