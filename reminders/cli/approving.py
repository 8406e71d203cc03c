"""`reminders approve` and `reminders approvals`: a licensed clinician's word on a plan exactly as it is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from reminders.assembly import App
from reminders.care.timing import as_text
from reminders.cli.json_output import print_json
from reminders.cli.options import json_option, opened, procedure_argument, yes_option
from reminders.cli.terminal import confirm, line, require_somebody, show_rows, table, warn, when
from reminders.desk.approve import Approver, approvals_of, files_last_approved
from reminders.desk.approve import approve as approve_plan
from reminders.desk.plan_page import plan_page
from reminders.desk.plans import ReadyPlan
from reminders.errors import InputError
from reminders.records.tables import Approval
from reminders.wording.email_body import html
from reminders.wording.languages import TranslationStatus
from reminders.words import gettext, language, shown


@click.command(
    epilog="""\b
Examples:
  reminders approve partial-nail-avulsion-chemical --by "C. Clinician" --license 12345
  reminders approve partial-nail-avulsion-chemical --by "C. Clinician" --license 12345 --yes --json
  reminders approve partial-nail-avulsion-chemical --page plan.html
""",
)
@procedure_argument
@click.option("--by", metavar="NAME", help="The clinician's name as it stands on the register.")
@click.option("--license", metavar="NUMBER", help="The clinician's licence.")
@click.option(
    "--page",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the plan to read, as .html or .md by its name, and approve nothing yet.",
)
@yes_option
@json_option
@click.pass_context
def approve(
    ctx: click.Context,
    procedure: str,
    by: str | None,
    license: str | None,  # noqa: A002  the option's name
    page: Path | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Show a licensed clinician PROCEDURE as it is now, then record that they approve it.

    The page has every text in every language, every rule in words, every value with its source, and what has
    changed since the last approval. Any later change of a file makes the plan unapproved again.
    """
    app = opened(ctx)
    ready = app.library.get(procedure)
    if page is not None:
        write_plan_page(page, ready, _page(app, ready))
        return
    if not by or not license:
        raise InputError(
            gettext("an approval needs --by NAME and --license NUMBER; --page FILE writes the plan to read first")
        )
    approver = Approver.read(by, license)
    require_somebody(yes=yes)
    if not as_json:
        line(_page(app, ready))
        _show_plan(ready)
    confirm(gettext("{name} read every text and approves them all?", name=approver.name), yes=yes)
    with app.database.writing() as session:
        approval = approve_plan(session, app.desk, procedure, approver)
    if as_json:
        print_json({**_as_json(approval, app, current=True), "languages": _languages(ready)})
    else:
        said = gettext("Approved by {name}, licence {license}.", name=approval.approved_by, license=approval.license)
        line(said, style="bold green")


@click.command(
    epilog="\b\nExamples:\n  reminders approvals\n  reminders approvals partial-nail-avulsion-chemical --json\n"
)
@click.argument("procedure", required=False)
@json_option
@click.pass_context
def approvals(ctx: click.Context, procedure: str | None, as_json: bool) -> None:
    """List who approved PROCEDURE (or every one) and when, and whether that still holds."""
    app = opened(ctx)
    names = (app.library.get(procedure).plan.procedure,) if procedure else app.library.names()
    found: list[tuple[Approval, bool]] = []
    with app.database.reading() as session:
        for name in names:
            current = app.library.get(name).content_hash
            found += [(each, each.content_hash == current) for each in approvals_of(session, app.desk, name)]
    if as_json:
        print_json([_as_json(each, app, current=current) for each, current in found])
    elif not found:
        line(gettext("Nothing was approved yet."))
    else:
        show_rows(
            table(
                gettext("Approved by"),
                (gettext("When"), {"no_wrap": True}),
                (gettext("Plan"), {"ratio": 1}),
                gettext("Holds"),
            ),
            (
                [
                    f"{each.approved_by}\n" + gettext("licence {number}", number=each.license),
                    when(each.at, app.config.zone),
                    f"{each.procedure}\n" + gettext("version {number}", number=each.plan_version),
                    gettext("yes") if current else gettext("no: changed since"),
                ]
                for each, current in found
            ),
        )


def _page(app: App, ready: ReadyPlan) -> str:
    with app.database.reading() as session:
        return plan_page(ready, app.house, approved=files_last_approved(session, app.desk, ready.plan.procedure))


def write_plan_page(path: Path, ready: ReadyPlan, page: str) -> None:
    """Write the page to read before an approval; raises InputError for an ending that is neither .html nor .md."""
    match path.suffix.lower():
        case ".html":
            path.write_text(html(page, language=language(), title=ready.plan.title), "utf-8")
        case ".md":
            path.write_text(page, "utf-8")
        case _:
            raise InputError(gettext("{file}: the page is written as .html or .md", file=path.name))
    line(gettext("Wrote {file}: read it, then approve with --by and --license.", file=path))


def _show_plan(ready: ReadyPlan) -> None:
    file = ready.plan.file
    line(file.title, style="bold")
    line(gettext("Version {number}, {count} instructions", number=file.version, count=len(ready.plan.instructions)))
    line(gettext("Content {hash}", hash=ready.content_hash))
    for code, status in _languages(ready).items():
        line(f"  {code}: {shown(status)}")
    if TranslationStatus.DRAFT in _languages(ready).values():
        warn(gettext("draft translations were read by nobody qualified; they are not sent but in demo mode"))
    for caution in file.cautions:
        line(f"  {caution}", style="dim")


def _languages(ready: ReadyPlan) -> dict[str, str]:
    return {code: str(ready.wording.translation_status(code)) for code in ready.plan.file.languages}


def _as_json(approval: Approval, app: App, *, current: bool) -> dict[str, Any]:
    return {
        "procedure": approval.procedure,
        "version": approval.plan_version,
        "hash": approval.content_hash,
        "approved_by": approval.approved_by,
        "license": approval.license,
        "at": as_text(approval.at, app.config.zone),
        "current": current,
    }
