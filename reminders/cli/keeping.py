"""`reminders purge`, `hold`, `erase` and `export`: how long data is kept, and what one patient may ask for."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from reminders.care.timing import as_text
from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, acting, by_option, json_option, opened, yes_option
from reminders.cli.terminal import confirm, line, show_rows, table, warn, when
from reminders.desk.erase import Erasure, erase_patient, look_at_erasure
from reminders.desk.holds import list_holds, place_hold, remove_hold
from reminders.desk.patient_export import as_page, export_patient
from reminders.desk.retention import AUDIT, ToGo, what_would_go
from reminders.desk.retention import purge as purge_all
from reminders.desk.trail import Action
from reminders.errors import InputError, StateError
from reminders.records.freed_pages import settle_files
from reminders.words import gettext, marked

_KINDS = {
    "texts of messages": marked("texts of messages"),
    "texts of replies": marked("texts of replies"),
    "courses": marked("courses with their messages, replies and concerns"),
    "patients": marked("patients without a course"),
    "replies of unknown senders": marked("replies of unknown senders"),
    "concerns about no patient": marked("concerns about no patient"),
    "notices to staff": marked("notices to staff"),
    "dismissed patients of other systems": marked("dismissed patients of other systems"),
    "approvals": marked("approvals that a newer one replaced"),
    "plans": marked("plans that no course needs"),
    "ended sign-ins": marked("ended sign-ins"),
    "expired invitations": marked("expired invitations"),
    "kept forms": marked("kept forms"),
    AUDIT: marked("audit entries"),
}


@click.command(epilog="\b\nExamples:\n  reminders purge --dry-run\n  reminders purge --yes --json\n")
@click.option("--dry-run", is_flag=True, help="Show what would go, and delete nothing.")
@yes_option
@json_option
@click.pass_context
def purge(ctx: click.Context, dry_run: bool, yes: bool, as_json: bool) -> None:
    """Delete what was kept as long as [retention] in the configuration says; `run` does so once a day.

    What an open concern, a running course or a legal hold needs stays. A patient goes after their last course.
    """
    app = opened(ctx)
    rules = app.retention_rules
    found = what_would_go(app.database, app.desk, rules)
    if dry_run and as_json:
        print_json([_as_json(each) for each in found])
        return
    if not as_json:
        _show(found, app.config.practice.id)
    if dry_run:
        line(gettext("Nothing was deleted, as you said --dry-run."), style="bold")
        return
    confirm(gettext("Delete this? Nobody can bring it back but from a backup."), yes=yes)
    gone = purge_all(app.database, app.desk, rules)
    if as_json:
        print_json(gone)
        return
    for kind, count in gone.items():
        line(f"{gettext(_KINDS[kind])}: {count}")
    line(gettext("Done."), style="bold")


@click.group(
    invoke_without_command=True,
    epilog='\b\nExamples:\n  reminders hold\n  reminders hold add 7 --reason "letter of a court, 2 March"\n'
    "  reminders hold remove 7\n",
)
@json_option
@click.pass_context
def hold(ctx: click.Context, as_json: bool) -> None:
    """List the legal holds: nothing about these patients is deleted, whatever its age."""
    if ctx.invoked_subcommand is not None:
        return
    app = opened(ctx)
    with app.database.reading() as session:
        found = list_holds(session, app.desk)
    about_to_show(app, Action.PATIENT_SEE, *((each.patient_id, "hold") for each in found))
    zone = app.config.zone
    if as_json:
        print_json(
            [
                {
                    "patient": each.patient_id,
                    "reason": each.reason,
                    "placed_by": each.placed_by,
                    "placed_at": as_text(each.placed_at, zone),
                }
                for each in found
            ]
        )
        return
    show_rows(
        table(gettext("Patient"), (gettext("Since"), {"no_wrap": True}), gettext("By"), (gettext("Why"), {"ratio": 1})),
        ([str(each.patient_id), when(each.placed_at, zone), each.placed_by, each.reason] for each in found),
    )


@hold.command(epilog='\b\nExample:\n  reminders hold add 7 --reason "letter of a court, 2 March"\n')
@click.argument("patient", type=int)
@click.option("--reason", required=True, metavar="TEXT", help="Why; whoever removes the hold reads it.")
@by_option
@click.pass_context
def add(ctx: click.Context, patient: int, reason: str, by: str | None) -> None:
    """Keep everything about PATIENT until the hold is removed."""
    app = opened(ctx)
    with app.database.writing() as session:
        place_hold(session, app.desk, patient, reason=reason, by=acting(by))
    line(gettext("Nothing about patient {id} is deleted until the hold is removed.", id=patient), style="bold")


@hold.command(epilog="\b\nExample:\n  reminders hold remove 7\n")
@click.argument("patient", type=int)
@yes_option
@click.pass_context
def remove(ctx: click.Context, patient: int, yes: bool) -> None:
    """Let the periods count again for PATIENT."""
    app = opened(ctx)
    confirm(gettext("Remove the legal hold?"), yes=yes)
    with app.database.writing() as session:
        remove_hold(session, app.desk, patient)
    line(gettext("Patient {id} is under no legal hold any more.", id=patient), style="bold")


@click.command(epilog="\b\nExamples:\n  reminders erase 7\n  reminders erase 7 --yes --json\n")
@click.argument("patient", type=int)
@click.option(
    "--despite-retention",
    "despite",
    metavar="REASON",
    default="",
    help="Why the law lets you erase before the period is over. It stays in the audit trail: name nobody.",
)
@yes_option
@json_option
@click.pass_context
def erase(ctx: click.Context, patient: int, despite: str, yes: bool, as_json: bool) -> None:
    """Erase PATIENT: courses, messages, replies, concerns, consent. Shows what has to stay and why, and asks.

    Export it first if the patient is to have a copy: `reminders export`.
    """
    app = opened(ctx)
    rules = app.retention_rules
    with app.database.reading() as session:
        found = look_at_erasure(session, app.desk, rules, patient)
    about_to_show(app, Action.PATIENT_SEE, (patient, "erasure"))
    if found.obstacles:
        raise StateError("\n".join(found.obstacles))
    if not as_json:
        _show_erasure(found)
    if found.kept_until is None or despite.strip():
        confirm(gettext("Erase patient {id}? Nobody can bring it back but from a backup.", id=patient), yes=yes)
    with app.database.writing() as session:
        found = erase_patient(session, app.desk, rules, patient, despite=despite)
    settle_files(app.database)
    if as_json:
        print_json({"patient": patient, "erased": True, "courses": found.courses, "stays": found.stays})
    else:
        line(gettext("Patient {id} is erased.", id=patient), style="bold")


@click.command(epilog="\b\nExamples:\n  reminders export 7 copy.html\n  reminders export 7 copy.json\n")
@click.argument("patient", type=int)
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.pass_context
def export(ctx: click.Context, patient: int, file: Path) -> None:
    """Write everything about PATIENT to FILE, .html to read or .json: the patient's own copy (45 CFR 164.524)."""
    if file.suffix.lower() not in {".html", ".json"}:
        raise InputError(gettext("{file}: a copy is written as .html or .json", file=file.name))
    if file.exists():
        raise InputError(gettext("{file} is there already and was not touched", file=file))
    app = opened(ctx)
    with app.database.writing() as session:
        found = export_patient(session, app.desk, patient)
    file.touch(mode=0o600, exist_ok=False)
    is_page = file.suffix.lower() == ".html"
    text = as_page(found, app.clock.now().astimezone(app.config.zone)) if is_page else _pretty(found)
    file.write_text(text, "utf-8")
    warn(gettext("wrote {file}; it holds personal data", file=file))


def _show(found: Iterable[ToGo], practice_id: str) -> None:
    show_rows(
        table(
            (gettext("Kind"), {"ratio": 1}),
            gettext("Practice"),
            gettext("Goes if older than"),
            (gettext("Over"), {"justify": "right"}),
            gettext("Oldest"),
            gettext("Newest"),
        ),
        (
            [
                gettext(_KINDS[each.kind]),
                practice_id,
                each.before.date().isoformat(),
                str(each.due.count),
                each.due.oldest.date().isoformat() if each.due.oldest else "",
                each.due.newest.date().isoformat() if each.due.newest else "",
            ]
            for each in found
        ),
    )


def _as_json(each: ToGo) -> dict[str, Any]:
    return {
        "kind": each.kind,
        "before": each.before.isoformat(),
        "count": each.due.count,
        "oldest": each.due.oldest.isoformat() if each.due.oldest else None,
        "newest": each.due.newest.isoformat() if each.due.newest else None,
    }


def _show_erasure(found: Erasure) -> None:
    line(gettext("{count} courses go with all that belongs to them.", count=len(found.courses)))
    line(gettext("What stays:"))
    for each in found.stays:
        line(f"  {each}")
    if found.kept_until is not None:
        warn(gettext("the documentation has to be kept until {day}", day=found.kept_until.date()))


def _pretty(found: dict[str, Any]) -> str:
    return json.dumps(found, ensure_ascii=False, indent=2) + "\n"
