"""`reminders settings`: where the practice's settings come from, and the way back from a change on the pages."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import click

from reminders.assembly import App
from reminders.care.timing import as_text
from reminders.cli.json_output import print_json
from reminders.cli.options import acting, assembled, by_option, config_path, json_option
from reminders.cli.terminal import line, show_rows, table, when
from reminders.config_site import KEYS, SettingFaults, values_of
from reminders.desk.settings import Origin, back_to_file, origins, put_back
from reminders.errors import InputError
from reminders.words import gettext


@click.group(
    epilog="""\b
Examples:
  reminders settings show
  reminders settings put-back 3         (as it was after change 3)
  reminders settings to-file duty       (as the file says)
""",
)
def settings() -> None:
    """Show which settings were changed on the pages, and put earlier ones back.

    Practice, opening hours, contact hours and duty list may be changed on the pages; they lie over the file's.
    """


@settings.command()
@json_option
@click.pass_context
def show(ctx: click.Context, as_json: bool) -> None:
    """Show every setting that the pages can change, and where it comes from."""
    app = _app(ctx)
    app.keep_up()
    with app.database.reading() as session:
        found = origins(session, app.config.practice.id)
    if as_json:
        print_json({name: _as_json(app, name, origin) for name, origin in found.items()})
        return
    rows = (row for name, origin in found.items() for row in _rows(app, name, origin))
    show_rows(table(gettext("Section"), gettext("Setting"), (gettext("Value"), {"ratio": 1}), gettext("From")), rows)


@settings.command("put-back")
@click.argument("version", type=click.IntRange(min=1))
@by_option
@click.pass_context
def put_back_(ctx: click.Context, version: int, by: str | None) -> None:
    """Make a section what it was after change VERSION; that is a change, too, and can be put back."""
    app = _app(ctx)
    try:
        with app.database.writing() as session:
            number = put_back(session, app.desk, app.written, version, by=acting(by))
    except SettingFaults as error:
        raise InputError(*(f"{path}: {fault}" for path, fault in error.faults.items())) from None
    line(gettext("Put back; this is change {number}. Running programs take it up by themselves.", number=number))


@settings.command("to-file")
@click.argument("section", type=click.Choice(list(KEYS)))
@by_option
@click.pass_context
def to_file(ctx: click.Context, section: str, by: str | None) -> None:
    """Make SECTION what the configuration file says."""
    app = _app(ctx)
    with app.database.writing() as session:
        number = back_to_file(session, app.desk, section, by=acting(by))
    line(gettext("Put back; this is change {number}. Running programs take it up by themselves.", number=number))


def _app(ctx: click.Context) -> App:
    """Return the program, which this command can't be kept from by what was changed on the pages."""
    app = assembled(ctx, config_path(ctx))
    ctx.call_on_close(app.database.close)
    return app


def _rows(app: App, name: str, origin: Origin) -> Iterator[list[str]]:
    written, now = values_of(app.written, name), values_of(app.config, name)
    for key in KEYS[name]:
        changed = origin.version and written[key] != now[key]
        by = gettext("change {number}: {by}, {at}", number=origin.version, by=origin.by, at=_at(app, origin))
        yield [name, key, _plain(now[key]), by if changed else gettext("file")]


def _as_json(app: App, name: str, origin: Origin) -> dict[str, Any]:
    return {
        "version": origin.version,
        "changed_by": origin.by or None,
        "changed_at": as_text(origin.at, app.config.zone) if origin.at else None,
        "values": values_of(app.config, name),
        "file": values_of(app.written, name),
    }


def _at(app: App, origin: Origin) -> str:
    return when(origin.at, app.config.zone) if origin.at else ""


def _plain(value: object) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{key}: {_plain(each)}" for key, each in value.items())
    if isinstance(value, list):
        return ", ".join(map(_plain, value))
    return str(value)
