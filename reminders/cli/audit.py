"""`reminders audit`: who did and looked at what, the proof that nobody altered it, and anchors to keep elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

from reminders.care.timing import as_text
from reminders.cli.faults import DONE, FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, json_option, opened
from reminders.cli.terminal import line, show_rows, table, warn, when
from reminders.desk import audit_trail
from reminders.desk.audit_trail import Listed, Verified
from reminders.desk.course_facts import parse_moment
from reminders.desk.trail import Action
from reminders.records.audit import Wanted
from reminders.records.audit_chain import Finding
from reminders.records.sealing import Tell
from reminders.words import gettext, marked, shown

_FOUND = {
    "altered": marked("{entries}: altered, or not written by this program"),
    "missing": marked("{entries}: removed"),
    "out_of_place": marked("{entries}: does not follow the entry before it"),
    "cut_off": marked("{entries}: cut off at the end"),
    "not_as_anchored": marked("{entries}: another one than when the anchor was taken"),
}


@click.group(
    "audit",
    epilog="""\b
Examples:
  reminders audit list --patient 7
  reminders audit list --staff "Nora Nurse" --since 2026-03-01
  reminders audit verify --anchor anchors.jsonl
  reminders audit anchor >> /elsewhere/anchors.jsonl
""",
)
def audit() -> None:
    """Show who did and looked at what, and prove that nobody altered it."""


@audit.command("list", epilog="\b\nExample:\n  reminders audit list --patient 7 --action concern\n")
@click.option("--patient", type=int, metavar="ID", help="Only about this patient.")
@click.option("--staff", metavar="NAME", help="Only what this person did; also key:ID, cli:USER, patient, program.")
@click.option("--action", metavar="NAME", default="", help="Only this, like concern.closed, or all of concern.")
@click.option("--since", metavar="TIME", help="Only since then, like 2026-03-07T15:30.")
@click.option("--limit", type=click.IntRange(1, 100_000), default=100, show_default=True, help="At most so many.")
@json_option
@click.pass_context
def list_command(
    ctx: click.Context,
    patient: int | None,
    staff: str | None,
    action: str,
    since: str | None,
    limit: int,
    as_json: bool,
) -> None:
    """List the newest entries of the audit trail, newest first; this is an entry as well."""
    app = opened(ctx)
    zone = app.config.zone
    moment = marked("the first moment")
    since_at = parse_moment(since, zone, what=moment, region=app.desk.region) if since else None
    with app.database.reading() as session:
        who = audit_trail.somebody(session, app.desk, staff) if staff else None
        wanted = Wanted(patient_id=patient, who=who, action=action.strip(), since=since_at)
        found = audit_trail.list_entries(session, app.desk, wanted, limit=limit)
    about_to_show(app, Action.AUDIT_SEE, (patient, ""))
    if as_json:
        print_json([_as_json(each, zone) for each in found])
        return
    show_rows(
        table(
            (gettext("No."), {"justify": "right"}),
            (gettext("When"), {"no_wrap": True}),
            gettext("Who"),
            (gettext("What"), {"ratio": 1}),
            gettext("Patient"),
            gettext("About"),
        ),
        (_row(each, zone) for each in found),
    )


@audit.command(epilog="\b\nExample:\n  reminders audit verify --anchor anchors.jsonl\n")
@click.option("--anchor", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Anchors kept elsewhere.")
@json_option
@click.pass_context
def verify(ctx: click.Context, anchor: Path | None, as_json: bool) -> int:
    """Prove that no entry was altered, removed, moved or put in; exit code 1 when one was, and which.

    Names, addresses, courses, replies and sent messages are compared with what the entries say of them: who
    exchanges two of them in the database is found out.

    Who can write to the database and has the key as well can cut entries off at the end: an anchor taken before shows
    that. It is kept where they can't reach it.
    """
    app = opened(ctx)
    anchors = audit_trail.read_anchors(anchor.read_text("utf-8"), app.desk) if anchor else ()
    with _progress(quiet=as_json) as tell:
        done = audit_trail.verify(app.database, app.desk, anchors, tell=tell)
    if as_json:
        others = [each._asdict() for each in done.other_rows]
        print_json({**asdict(done), "other_rows": others, "ok": done.is_sound, "per_second": _rate(done)})
    else:
        _show(done)
    return DONE if done.is_sound else FELL_SHORT


@audit.command(epilog="\b\nExample:\n  reminders audit anchor >> /elsewhere/anchors.jsonl\n")
@click.pass_context
def anchor(ctx: click.Context) -> None:
    """Print what the audit trail comes to now, a line to keep where whoever runs this computer can't change it."""
    app = opened(ctx)
    with app.database.writing() as session:
        taken = audit_trail.take_anchor(session, app.desk)
    line(audit_trail.write_anchor(taken))


def _show(done: Verified) -> None:
    said = marked("{count} entries, {first} to {last}, read in {seconds:.1f} s ({rate} a second).")
    counted = {"count": done.entries, "first": done.oldest, "last": done.newest}
    line(gettext(said, **counted, seconds=done.seconds, rate=_rate(done)))
    if done.too_old:
        warn(gettext("{count} anchors name entries that were purged since; take a newer one.", count=done.too_old))
    for each in done.findings:
        line(gettext(_FOUND[each.kind], entries=_entries(each)), style="bold red")
    for row in done.other_rows:
        said = marked("{what} {number}: says something else than when this program wrote it")
        line(gettext(said, what=shown(row.kind), number=row.id), style="bold red")
    if done.is_sound:
        said = marked("Every entry is as it was written, and so are {count} rows that they tell of.")
        line(gettext(said, count=done.rows), style="bold")
        if not done.anchors:
            line(gettext("Only an anchor kept elsewhere shows entries cut off at the end: `reminders audit anchor`."))


def _entries(found: Finding) -> str:
    if found.first == found.last:
        return gettext("entry {number}", number=found.first)
    return gettext("entries {first} to {last}", first=found.first, last=found.last)


def _rate(done: Verified) -> int:
    return round(done.entries / done.seconds) if done.seconds else 0


def _row(each: Listed, zone: ZoneInfo) -> list[str]:
    entry = each.entry
    who = f"{each.who} ({shown(entry.who_kind)})" if each.who else shown(entry.who_kind)
    said = each.said if entry.outcome == "done" else f"{each.said} ({shown(entry.outcome)})"
    patient = "" if entry.patient_id is None else str(entry.patient_id)
    return [str(entry.sequence), when(entry.at, zone), who, said, patient, entry.about]


def _as_json(each: Listed, zone: ZoneInfo) -> dict[str, Any]:
    return {
        **each.entry._asdict(),
        "at": as_text(each.entry.at, zone),
        "details": each.details,
        "name": each.who,
        "said": each.said,
    }


@contextmanager
def _progress(*, quiet: bool) -> Iterator[Tell]:
    screen = Console(stderr=True)
    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=screen, transient=True, disable=quiet or not screen.is_terminal) as bar:
        number = bar.add_task("", total=None)
        yield lambda done, total: bar.update(number, completed=done, total=total)
