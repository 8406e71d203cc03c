"""`reminders partition`: parts the messages of a large PostgreSQL database by practice."""

from __future__ import annotations

import click

from reminders.cli.json_output import print_json
from reminders.cli.options import assembled, config_path, json_option, yes_option
from reminders.cli.terminal import confirm, line
from reminders.records.partitioning import MOST, part_messages
from reminders.words import gettext


@click.command(
    epilog="""\b
Examples:
  reminders partition --into 8
\b
For a group of practices on one PostgreSQL database. Stop every program first, and make a copy
(`reminders backup`): the table is locked and written anew. All messages of a practice lie in one partition.
""",
)
@click.option(
    "--into", "count", type=click.IntRange(2, MOST), default=8, show_default=True, help="How many partitions."
)
@yes_option
@json_option
@click.pass_context
def partition(ctx: click.Context, count: int, yes: bool, as_json: bool) -> None:
    """Part the table of messages by practice."""
    app = assembled(ctx, config_path(ctx))
    confirm(gettext("Write the messages anew into {count} partitions?", count=count), yes=yes or as_json)
    names = part_messages(app.config.database_url, count)
    if as_json:
        print_json({"partitions": list(names)})
    else:
        line(gettext("The messages lie in {count} partitions, each practice's in one.", count=len(names)))
