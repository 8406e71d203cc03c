"""Options that several commands share, and the reading of `NAME=VALUE`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from reminders.errors import InputError

Command = TypeVar("Command", bound=Callable[..., Any])


def json_option(command: Command) -> Command:
    """Add `--json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(command)


def course_options(command: Command) -> Command:
    """Add the options that state a course's facts."""
    for option in reversed(
        (
            click.option("--end", required=True, metavar="TIME", help="End of the procedure, like 2026-03-07T15:30."),
            click.option("--zone", metavar="ZONE", help="The patient's zone, like America/Chicago."),
            click.option("--language", metavar="CODE", help="The patient's language, like en."),
            click.option("--factor", "factors", multiple=True, metavar="NAME", help="A patient factor; repeatable."),
            click.option("--set", "settings", multiple=True, metavar="NAME=VALUE", help="A setting of the plan."),
            click.option("--slot", "slots", multiple=True, metavar="SLOT=HH:MM", help="The patient's own time of day."),
            click.option("--visit", metavar="TIME", help="When the return visit is booked."),
            click.option("--block-placed", metavar="TIME", help="When the block was placed, if not at the end."),
            click.option("--dressing-applied", metavar="TIME", help="When the dressing was put on."),
            click.option("--channel", metavar="sms|email", help="How the patient is written to."),
            click.option("--site", metavar="WORDS", help="How to name the site when two courses overlap."),
            click.option("--night-contact", is_flag=True, help="The patient agreed to be contacted at night."),
        )
    ):
        command = option(command)
    return command


def pairs(texts: Sequence[str], option: str) -> Mapping[str, str]:
    """Read `NAME=VALUE` options; raises InputError naming the option."""
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise InputError(f"{option} takes NAME=VALUE, not {text!r}")
        if name.strip() in found:
            raise InputError(f"{option} {name.strip()} is given twice")
        found[name.strip()] = value.strip()
    return found


def config_path(ctx: click.Context) -> Path | None:
    """Return the configuration named on the command line, None when none was."""
    given = ctx.find_root().obj
    return Path(given) if given else None
