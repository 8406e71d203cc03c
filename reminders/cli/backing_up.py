"""`reminders backup` and `reminders restore`: a checked copy of the database while it is in use, and the way back."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from pathlib import Path

import click

from reminders.assembly import App
from reminders.care.timing import as_text, parse_local
from reminders.cli.json_output import print_json
from reminders.cli.options import assembled, at_terminal, config_path, json_option, yes_option
from reminders.cli.terminal import confirm, line, warn, when
from reminders.delivery.after_restore import WaysOut
from reminders.delivery.restoring import Restored, RestoreRules
from reminders.delivery.restoring import restore as put_back
from reminders.desk.trail import Action, note_change
from reminders.errors import ConfigError, InputError
from reminders.records.backup import Manifest, back_up, read_manifest
from reminders.words import gettext, marked


@click.command(
    epilog="""\b
Examples:
  reminders backup backups/                     (a new file there, named by the moment)
  reminders backup reminders.backup --force
\b
The copy is sealed as the database is: without the key that it names nobody can restore it. Keep a copy of the keys
apart from the backups; who has both can read everything.
""",
)
@click.argument("target", type=click.Path())
@click.option("--force", is_flag=True, help="Replace a copy of that name.")
@json_option
@click.pass_context
def backup(ctx: click.Context, target: str, force: bool, as_json: bool) -> None:
    """Copy the database to TARGET, a file or a folder, while it is in use; the copy is read again in full."""
    app = assembled(ctx, config_path(ctx))
    now = app.clock.now()
    chosen = _file_of(target, now)
    done = back_up(app.config.database_url, chosen, now=now, replace=force)
    _note(app, done)
    if as_json:
        print_json({"file": str(chosen), **asdict(done), "taken_at": as_text(done.taken_at, app.config.zone)})
        return
    said = gettext(
        "{file} holds {messages} messages and {rows} rows in all; read again and whole.",
        file=chosen,
        messages=done.messages,
        rows=sum(done.rows.values()),
    )
    line(said)
    line(gettext("It is sealed: to restore it, key {key} is needed, which it does not hold.", key=done.key))


@click.command(
    epilog="""\b
Examples:
  reminders restore backups/reminders-20260307T214500Z.backup
  reminders restore reminders.backup --replace --ran-until 2026-03-07T18:30
\b
Stop `reminders run` and `reminders serve` first. A message that came due after the copy was taken may have been
sent from the database that was lost. Where the transport can tell, it is asked; else the message is not sent again,
and staff see it: `reminders messages --state uncertain`. Say with --ran-until when the lost program stopped, and what
came due later goes out as planned. Replies and requests to stop that came since are lost: read them at the gateway or
in the mailbox, and enter them with `reminders reply` before you start `reminders run`.
""",
)
@click.argument("source", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Let the copy take the place of a database that is there.")
@click.option("--ran-until", metavar="TIME", help="When the lost program stopped sending, like 2026-03-07T18:30.")
@yes_option
@json_option
@click.pass_context
def restore(ctx: click.Context, source: Path, replace: bool, ran_until: str | None, yes: bool, as_json: bool) -> None:
    """Put the copy SOURCE back, checked in full, and settle what may have been sent since it was taken."""
    app = assembled(ctx, config_path(ctx))
    until = _moment(ran_until, app) if ran_until else None
    taken = when(read_manifest(source).taken_at, app.config.zone)
    confirm(gettext("Put back the copy of {moment}? What came in since is lost.", moment=taken), yes=yes or as_json)
    done = put_back(app.config.database_url, source, _rules(app, until, replace=replace))
    if as_json:
        print_json(_as_json(app, done))
    else:
        _show(app, done)


def _file_of(target: str, now: datetime) -> Path:
    """Return the file to write; a target with a slash at its end is a folder, which is made when it is missing."""
    path = Path(target)
    if target.endswith("/"):
        try:
            path.mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            raise InputError(f"{path}: {error.strerror}") from error
    return path / f"reminders-{now:%Y%m%dT%H%M%SZ}.backup" if path.is_dir() else path


def _note(app: App, done: Manifest) -> None:
    try:
        database = app.database
    except ConfigError:
        warn(gettext("The database can be copied but not opened, so the audit trail does not tell of this copy."))
        return
    with database.writing(by=at_terminal()) as session:
        note_change(session, app.desk, Action.BACKUP_MAKE, (None, ""), {"sha256": done.sha256, "key": done.key})
    database.close()


def _moment(text: str, app: App) -> datetime:
    try:
        return parse_local(text, app.config.zone)
    except ValueError:
        raise InputError(gettext("--ran-until takes a time like 2026-03-07T18:30, not {text!r}", text=text)) from None


def _rules(app: App, ran_until: datetime | None, *, replace: bool) -> RestoreRules:
    desk = app.desk
    return RestoreRules(
        ways=lambda: WaysOut(practice_id=app.config.practice.id, transports=app.transports()),
        concern_due=lambda urgency, at: desk.due.due_at(urgency, at, desk.opening),
        now=app.clock.now(),
        keyring=app.keyring,
        by=at_terminal(),
        ran_until=ran_until,
        replace=replace,
    )


def _as_json(app: App, done: Restored) -> dict[str, object]:
    return {
        "taken_at": as_text(done.gap.taken_at, app.config.zone),
        "ran_until": as_text(done.gap.ran_until, app.config.zone),
        "rows": dict(done.manifest.rows),
        **asdict(done.report),
        "kept": str(done.kept) if done.kept else None,
    }


def _show(app: App, done: Restored) -> None:
    rows = sum(done.manifest.rows.values())
    taken = when(done.gap.taken_at, app.config.zone)
    line(gettext("Put back: {rows} rows of {moment}; checked and whole.", rows=rows, moment=taken))
    if done.kept:
        line(gettext("What was there before lies in {file}.", file=done.kept))
    found = done.report
    since = marked("Of what came due since, {out} went out and {stayed} did not, as the transport says.")
    line(gettext(since, out=found.went_out, stayed=found.stayed))
    if found.uncertain:
        doubt = marked("{count} may or may not have gone out and are not sent again; staff see a concern.")
        line(gettext(doubt, count=found.uncertain), style="bold")
    line(gettext("Enter the replies that came since (`reminders reply`), then start `reminders run`."))
