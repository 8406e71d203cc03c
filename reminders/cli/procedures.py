"""`reminders procedures`: the plans there are, and how ready each one is."""

from __future__ import annotations

from typing import Any

import click

from reminders.assembly import App, assemble_for_preview
from reminders.cli.json_output import print_json
from reminders.cli.options import config_path, json_option
from reminders.cli.terminal import line, show_rows, table
from reminders.errors import ConfigError, PlanError


@click.command(epilog="\b\nExamples:\n  reminders procedures\n  reminders procedures --json\n")
@json_option
@click.pass_context
def procedures(ctx: click.Context, as_json: bool) -> int:
    """List every procedure: its title, its languages and their translations, and whether it is approved as it is."""
    app, configured = assemble_for_preview(config_path(ctx))
    approved = _approved_hashes(app) if configured else None
    found = [_described(app, name, approved) for name in app.library.names()]
    if as_json:
        print_json(found)
    else:
        show_rows(
            table("Procedure", ("Version", {"justify": "right"}), "Languages", "Approved"),
            (
                [
                    f"{each['procedure']}\n{each['title']}",
                    str(each["version"]),
                    "\n".join(f"{code}: {status}" for code, status in each["languages"].items()),
                    _approval_words(each),
                ]
                for each in found
            ),
        )
        for each in found:
            for fault in each["faults"]:
                line(f"  {fault}", style="red")
        if approved is None:
            line("Without a database nothing is known about approvals; `reminders init` makes one.", style="dim")
    return 1 if any(each["faults"] for each in found) else 0


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
        "faults": [],
    }


def _approval_words(each: dict[str, Any]) -> str:
    if each["faults"]:
        return "faulty"
    return {True: "yes", False: "no", None: "not known"}[each["approved"]]


def _approved_hashes(app: App) -> frozenset[str] | None:
    """Return the contents that were approved; None when there is no database to ask."""
    from reminders.records.approvals import approved_hashes  # noqa: PLC0415  without a configuration none is opened

    try:
        with app.database.reading() as session:
            return approved_hashes(session, app.config.practice.id)
    except ConfigError:
        return None
