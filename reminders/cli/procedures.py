"""`reminders procedures`: the plans there are, how ready each one is, and a picture of each."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import Any

import click

from reminders.assembly import App, assemble_for_preview
from reminders.cli.json_output import print_json
from reminders.cli.options import config_path, json_option
from reminders.cli.terminal import line, show_rows, table
from reminders.desk.new_procedure import unfinished
from reminders.desk.plan_timeline import Step, picture_of, timeline_of
from reminders.errors import ConfigError, InputError, PlanError
from reminders.words import gettext, marked, shown

_FIRST_HOUR, _LAST_HOUR = 6, 22


@click.command(
    epilog="""\b
Examples:
  reminders procedures
  reminders procedures vasectomy
  reminders procedures vasectomy --svg vasectomy.svg
  reminders procedures --json
""",
)
@click.argument("procedure", required=False)
@click.option(
    "--svg", type=click.Path(dir_okay=False, path_type=Path), help="Write the picture of PROCEDURE to a file."
)
@json_option
@click.pass_context
def procedures(ctx: click.Context, procedure: str | None, svg: Path | None, as_json: bool) -> int:
    """List every procedure, or show the timeline of PROCEDURE.

    The list holds the title, the languages and their translations, and whether it is approved as it is. The timeline
    is that of a procedure at 10:00 with all defaults; what only some patients get is in it, marked.
    """
    app, configured = assemble_for_preview(config_path(ctx))
    if procedure is not None:
        _show_timeline(app, procedure, svg, as_json=as_json)
        return 0
    if svg is not None:
        raise InputError(gettext("--svg needs the name of a procedure"))
    approved = _approved_hashes(app) if configured else None
    found = [_described(app, name, approved) for name in app.library.names()]
    if as_json:
        print_json(found)
    else:
        show_rows(
            table(
                gettext("Procedure"),
                (gettext("Version"), {"justify": "right"}),
                gettext("Languages"),
                gettext("Approved"),
            ),
            (
                [
                    f"{each['procedure']}\n{each['title']}",
                    str(each["version"]),
                    "\n".join(f"{code}: {shown(status)}" for code, status in each["languages"].items()),
                    _approval_words(each),
                ]
                for each in found
            ),
        )
        for each in found:
            for fault in each["faults"]:
                line(f"  {fault}", style="red")
        if approved is None:
            said = gettext("Without a database nothing is known about approvals; `reminders init` makes one.")
            line(said, style="dim")
    return 1 if any(each["faults"] for each in found) else 0


def _show_timeline(app: App, procedure: str, svg: Path | None, *, as_json: bool) -> None:
    ready = app.library.get(procedure)
    steps = timeline_of(ready, app.house)
    if svg is not None:
        svg.write_text(str(picture_of(ready, app.house)), encoding="utf-8")
    if as_json:
        names = ("number", "key", "day", "required", "some_only", "for_staff")
        print_json([{**{name: getattr(step, name) for name in names}, "at": f"{step.at:%H:%M}"} for step in steps])
        return
    line(ready.plan.title, style="bold")
    hours = "".join(f"{hour:<6}" for hour in range(_FIRST_HOUR, _LAST_HOUR + 1, 2))
    line(f"{'':8}{hours}", style="dim")
    for day, found in groupby(steps, key=lambda step: step.day):
        label = gettext("Day {day}", day=day)
        line(f"{label:8}{_row(list(found))}")
    line()
    first = {step.number: step for step in reversed(steps)}
    for step in sorted(first.values(), key=lambda step: step.number):
        known = ((gettext("staff"), step.for_staff), (gettext("some patients"), step.some_only))
        marks = [mark for mark, holds in known if holds]
        note = f"  ({', '.join(marks)})" if marks else ""
        line(f"{step.number:>3}  {step.key}: {step.about}{note}")


def _row(steps: list[Step]) -> str:
    """Return one day as a line: three characters an hour, numbers at their time, later ones pushed on."""
    drawn = ""
    for step in steps:
        within = min(max(step.at.hour + step.at.minute / 60, _FIRST_HOUR), _LAST_HOUR) - _FIRST_HOUR
        drawn = drawn.ljust(int(within * 3))
        if drawn and not drawn.endswith(" "):
            drawn += " "
        drawn += str(step.number)
    return drawn


def _described(app: App, name: str, approved: frozenset[str] | None) -> dict[str, Any]:
    try:
        ready = app.library.get(name)
    except PlanError as error:
        faults = [str(fault) for fault in error.faults]
        return {
            "procedure": name,
            "title": "",
            "version": None,
            "languages": {},
            "hash": None,
            "approved": None,
            "unfinished": 0,
            "faults": faults,
        }
    file = ready.plan.file
    return {
        "procedure": name,
        "title": file.title,
        "version": file.version,
        "languages": {code: str(ready.wording.translation_status(code)) for code in file.languages},
        "hash": ready.content_hash,
        "approved": None if approved is None else ready.content_hash in approved,
        "unfinished": len(unfinished(ready.plan)),
        "faults": [],
    }


def _approval_words(each: dict[str, Any]) -> str:
    if each["faults"]:
        return gettext("faulty")
    if each["unfinished"]:
        return gettext("no: {count} places say TODO", count=each["unfinished"])
    return gettext({True: marked("yes"), False: marked("no"), None: marked("not known")}[each["approved"]])


def _approved_hashes(app: App) -> frozenset[str] | None:
    """Return the contents that were approved; None when there is no database to ask."""
    from reminders.records.approvals import approved_hashes  # noqa: PLC0415  without a configuration none is opened

    try:
        with app.database.reading() as session:
            return approved_hashes(session, app.config.practice.id)
    except ConfigError:
        return None
