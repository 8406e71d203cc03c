"""`reminders waiting`: patients whom other systems of the practice told of, to be enrolled or dismissed."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from reminders.care.timing import as_text
from reminders.cli.faults import DONE, FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.options import acting, by_option, json_option, opened
from reminders.cli.terminal import line, show_rows, table, warn, when
from reminders.desk import waiting as desk_waiting
from reminders.desk.trail import Action, note_looks
from reminders.desk.waiting import Waiting
from reminders.errors import InputError
from reminders.words import gettext


@click.group(
    invoke_without_command=True,
    epilog="""\b
Examples:
  reminders waiting
  reminders waiting take /srv/desk/out/*.hl7
  reminders enroll partial-nail-avulsion-chemical --waiting 12 --factor none --consent
  reminders waiting dismiss 12
""",
)
@json_option
@click.pass_context
def waiting(ctx: click.Context, as_json: bool) -> None:
    """List the patients who wait to be enrolled, the longest first.

    They come from files of HL7 v2 (ADT^A04, SIU^S12) or FHIR R4 (a bundle), dropped into the folder that the
    configuration names, or given to `reminders waiting take`. Nobody is written to before the desk enrolled them.
    """
    if ctx.invoked_subcommand is not None:
        return
    app = opened(ctx)
    with app.database.reading() as session:
        found = desk_waiting.list_waiting(session, app.desk)
    note_looks(app.database, app.desk, Action.WAITING_SEE, [(None, f"waiting {each.id}") for each in found])
    zone = app.config.zone
    if as_json:
        print_json([_as_json(each, zone) for each in found])
        return
    if not found:
        line(gettext("Nobody waits."))
        return
    show_rows(
        table(
            (gettext("Number"), {"justify": "right"}),
            gettext("Told"),
            gettext("Patient"),
            (gettext("Said"), {"ratio": 1}),
        ),
        ([str(each.id), when(each.told_at, zone), each.name, _said(each)] for each in found),
    )


@waiting.command("take")
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@json_option
@click.pass_context
def take(ctx: click.Context, files: tuple[Path, ...], as_json: bool) -> int:
    """Take in FILES of HL7 v2 or FHIR; whom they told of before is recognised. The files stay where they are."""
    app = opened(ctx)
    reports: list[dict[str, Any]] = []
    for path in files:
        try:
            with app.database.writing() as session:
                done = desk_waiting.take_in(session, app.desk, path.read_bytes())
            report = {"added": list(done.added), "known": done.known, "problems": list(done.problems)}
        except InputError as error:
            report = {"added": [], "known": 0, "problems": list(error.problems)}
        reports.append({"file": str(path), **report})
    if as_json:
        print_json(reports)
    else:
        for each in reports:
            added, known = len(each["added"]), each["known"]
            line(gettext("{file}: {added} added, {known} known before", file=each["file"], added=added, known=known))
            for problem in each["problems"]:
                warn(f"{each['file']}: {problem}")
    return FELL_SHORT if any(each["problems"] for each in reports) else DONE


@waiting.command("dismiss")
@click.argument("numbers", nargs=-1, required=True, type=int)
@by_option
@click.pass_context
def dismiss(ctx: click.Context, numbers: tuple[int, ...], by: str | None) -> None:
    """Let those with these NUMBERS wait no more, as they are not to be enrolled."""
    app = opened(ctx)
    with app.database.writing() as session:
        for number in numbers:
            desk_waiting.dismiss(session, app.desk, number, by=acting(by))
    line(gettext("Dismissed."))


def _said(each: Waiting) -> str:
    return "; ".join(f"{name}: {value}" for name, value in each.told.items() if name not in {"first_name", "last_name"})


def _as_json(each: Waiting, zone: ZoneInfo) -> dict[str, Any]:
    return {"id": each.id, "told_at": as_text(each.told_at, zone), "told": dict(each.told)}
