"""`reminders keys`: the keys that seal patients' data."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from reminders.assembly import App
from reminders.cli.faults import DONE, FELL_SHORT
from reminders.cli.json_output import print_json
from reminders.cli.options import assembled, config_path, json_option, opened
from reminders.cli.terminal import line, show_rows, table, warn
from reminders.desk.trail import Action, note_change
from reminders.errors import ConfigError, InputError
from reminders.records.key_rotation import KeyState, keys_of
from reminders.records.key_rotation import rotate as rotate_keys
from reminders.records.key_sources import KeyFile, as_line
from reminders.records.keyring import Key
from reminders.records.schema import key_in_use
from reminders.records.sealing import Tell
from reminders.words import gettext, marked, shown

_KEEP_IT = marked("Nobody reads the database or a backup without it: keep a copy, apart from the backups.")


@click.group(
    "keys",
    epilog="""\b
Examples:
  reminders keys status
  reminders keys rotate
  reminders keys new --show                 (for a store of secrets: prints a key, keeps nothing)
""",
)
def keys() -> None:
    """Make, list and rotate the keys that seal patients' data."""


@keys.command()
@click.option("--show", is_flag=True, help="Print a key for a store of secrets, and write nothing.")
@json_option
@click.pass_context
def new(ctx: click.Context, show: bool, as_json: bool) -> None:
    """Make the key of a new installation; a key file that is there is never overwritten."""
    if show:
        key = Key.new()
        print_json({"key": key.id, "line": as_line(key)}) if as_json else line(as_line(key))
        return
    app = assembled(ctx, config_path(ctx))
    source = app.key_source
    if not isinstance(source, KeyFile):
        said = marked("the keys are kept in {place}; `reminders keys new --show` prints one to put there")
        raise InputError(gettext(said, place=source.place))
    made = make_first_key(app)
    if made is None:
        said = marked("{file} is there already and was not touched; `reminders keys rotate` adds a key to it")
        raise InputError(gettext(said, file=source.path))
    if as_json:
        print_json({"key": app.keyring.current.id, "file": str(made)})
    else:
        tell_of_key(made)


@keys.command()
@json_option
@click.pass_context
def status(ctx: click.Context, as_json: bool) -> None:
    """Show what each key seals, by reading it all; exit code 1 when a key is missing, or something is not sealed."""
    app = assembled(ctx, config_path(ctx))
    with _progress(gettext("Reading"), quiet=as_json) as tell:
        found = keys_of(app.config.database_url, app.key_source, tell=tell)
    if as_json:
        print_json([{**asdict(each), "state": str(each.state)} for each in found])
    else:
        line(gettext("Kept in {place}.", place=app.key_source.place))
        columns = (gettext("Key"), gettext("State"), (gettext("Values"), {"justify": "right"}))
        show_rows(table(*columns), ([each.id, shown(str(each.state)), str(each.values)] for each in found))
        states = {each.state for each in found}
        if KeyState.OLDER in states:
            line(gettext("`reminders keys rotate` seals anew what an older key sealed."))
        if KeyState.UNUSED in states:
            line(
                gettext("The database needs an unused key no more. Keep it as long as backups that it sealed are kept.")
            )
        if KeyState.MISSING in states:
            warn(gettext("A key is missing: what it sealed can't be read. Put your copy of it back."))
    is_sound = not any(each.state in {KeyState.MISSING, KeyState.NONE} for each in found)
    ctx.exit(DONE if is_sound else FELL_SHORT)


@keys.command()
@json_option
@click.pass_context
def rotate(ctx: click.Context, as_json: bool) -> None:
    """Seal everything under a new key while the program runs; broken off, it goes on where it stopped."""
    app = opened(ctx)
    with _progress(gettext("Sealing"), quiet=as_json) as tell:
        done = rotate_keys(app.database, app.key_source, tell=tell)
    with app.database.writing() as session:
        note_change(session, app.desk, Action.SEAL_ROTATE, (None, f"key {done.key}"), {"rows": done.rows})
    if as_json:
        print_json(asdict(done))
        return
    said = marked("Everything is sealed with key {key} now ({count} rows were sealed anew).")
    line(gettext(said, key=done.key, count=done.rows))
    if done.made:
        line(gettext("It is new, in {place}.", place=app.key_source.place) + " " + gettext(_KEEP_IT))
    if done.older:
        line(gettext("Keep the older keys as long as backups that they sealed are kept."))


def make_first_key(app: App) -> Path | None:
    """Make the key file of an installation that has none and needs one; return it, None when nothing was made.

    ConfigError when the database is sealed already: then its own key is missing, and a new one would not help.
    """
    source = app.key_source
    if not isinstance(source, KeyFile) or source.path.exists():
        return None
    if key := key_in_use(app.config.database_url):
        said = marked("the database is sealed with key {key}, and {file} is missing; put your copy of it there")
        raise ConfigError(gettext(said, key=key, file=source.path))
    source.create()
    return source.path


def tell_of_key(path: Path) -> None:
    """Say that a key was made, and what would be lost with it."""
    line(gettext("Made {file}, the key that seals patients' data.", file=path))
    line(gettext(_KEEP_IT))


@contextmanager
def _progress(task: str, *, quiet: bool) -> Iterator[Tell]:
    screen = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=screen, transient=True, disable=quiet or not screen.is_terminal) as bar:
        number = bar.add_task(task, total=None)
        yield lambda done, total: bar.update(number, completed=done, total=total)
