"""Options that several commands share, and the reading of `NAME=VALUE`."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict, TypeVar

import click
from click.shell_completion import CompletionItem

from reminders.assembly import App, assemble
from reminders.config import Config
from reminders.desk.course_facts import CourseInput
from reminders.errors import InputError
from reminders.words import gettext

if TYPE_CHECKING:  # both load the database, which a preview does without
    from reminders.desk.trail import Action, Look
    from reminders.records.audit import Who

Command = TypeVar("Command", bound=Callable[..., Any])


class CourseFacts(TypedDict):
    """What `course_options` passes to a command; None where nothing was said."""

    end: str | None
    zone: str | None
    language: str | None
    factors: tuple[str, ...]
    settings: tuple[str, ...]
    slots: tuple[str, ...]
    visit: str | None
    block_placed: str | None
    dressing_applied: str | None
    channel: str | None
    site: str | None
    night_contact: bool | None


def json_option(command: Command) -> Command:
    """Add `--json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(command)


def by_option(command: Command) -> Command:
    """Add `--by`: who does it."""
    return click.option("--by", metavar="NAME", help="Who does it; else your login name here.")(command)


def yes_option(command: Command) -> Command:
    """Add `--yes`."""
    return click.option("--yes", is_flag=True, help="Do it without asking.")(command)


def procedure_argument(command: Command) -> Command:
    """Add PROCEDURE, completed from the procedures that came with the program."""
    return click.argument("procedure", shell_complete=_procedures)(command)


def course_options(command: Command) -> Command:
    """Add the options that state a course's facts; they arrive as `CourseFacts`."""
    for option in reversed(
        (
            click.option("--end", metavar="TIME", help="End of the procedure, like 2026-03-07T15:30."),
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
            click.option(
                "--night-contact/--no-night-contact",
                default=None,
                help="Whether the patient agreed to be contacted at night.",
            ),
        )
    ):
        command = option(command)
    return command


def course_input(facts: CourseFacts, config: Config) -> CourseInput:
    """Return the facts of a new course; what was not said is as the practice's."""
    return CourseInput(
        end=facts["end"] or "",
        zone=facts["zone"] or config.practice.zone,
        language=facts["language"] or config.practice.language,
        factors=facts["factors"],
        settings=pairs(facts["settings"], "--set"),
        slots=pairs(facts["slots"], "--slot"),
        visit=facts["visit"],
        block_placed=facts["block_placed"],
        dressing_applied=facts["dressing_applied"],
        channel=facts["channel"] or "sms",
        site=facts["site"],
        night_contact_agreed=bool(facts["night_contact"]),
    )


def pairs(texts: Sequence[str], option: str) -> Mapping[str, str]:
    """Read `NAME=VALUE` options; raises InputError naming the option."""
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise InputError(gettext("{option} takes NAME=VALUE, not {text!r}", option=option, text=text))
        if name.strip() in found:
            raise InputError(gettext("{option} {name} is given twice", option=option, name=name.strip()))
        found[name.strip()] = value.strip()
    return found


def config_path(ctx: click.Context) -> Path | None:
    """Return the configuration named on the command line, None when none was."""
    given = ctx.meta.get("config")
    return Path(given) if given else None


def assembled(ctx: click.Context, path: Path | None) -> App:
    """Return the program as this configuration has it; whoever calls the commands may build it by a function of theirs.

    That function is the context's object: the tests give one whose clock they move.
    """
    build: Callable[[Path | None], App] = ctx.obj or assemble
    return build(path)


def opened(ctx: click.Context, *, works_by_itself: bool = False) -> App:
    """Return the program with its database open; raises ConfigError that says what to do.

    What it does is the user's who called it, unless it `works_by_itself` from now on.
    """
    app = assembled(ctx, config_path(ctx))
    app.require_practice()
    ctx.call_on_close(app.database.close)
    if not works_by_itself:
        app.database.works_for = at_terminal()
    return app


def at_terminal() -> Who:
    """Return whom the audit trail names for a command: the user of the operating system, whatever --by says."""
    from reminders.records.audit import Who  # noqa: PLC0415  as above

    try:
        return Who("cli", getpass.getuser())
    except (OSError, KeyError):
        return Who("cli", str(os.getuid()))


def about_to_show(app: App, action: Action, *looks: Look) -> None:
    """Note in the audit trail whom a command is about to show something of."""
    from reminders.desk.trail import note_looks  # noqa: PLC0415  as above

    note_looks(app.database, app.desk, action, looks)


def host_and_port(_ctx: click.Context, _parameter: click.Parameter, text: str | None) -> tuple[str, int] | None:
    """Read `HOST:PORT`, `[::1]:PORT` or a port of this machine alone; None when nothing was said."""
    if text is None:
        return None
    host, _, port = text.rpartition(":")
    if not port.isascii() or not port.isdecimal() or int(port) > 65_535:
        raise click.BadParameter(gettext("takes HOST:PORT such as 127.0.0.1:9464, not {text!r}", text=text))
    return host.strip("[]") or "127.0.0.1", int(port)


def acting(by: str | None) -> str:
    """Return who acts: the name given, else the login name; raises InputError when there is neither."""
    if by is not None and by.strip():
        return by.strip()
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        raise InputError(gettext("say who does this with --by NAME")) from None


def whole_text(text: str) -> str:
    """Return a text given as an argument, or what comes on stdin for `-`; bytes that are no text are replaced."""
    if text == "-":
        return sys.stdin.buffer.read().decode("utf-8-sig", "replace")
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _procedures(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[CompletionItem]:
    from reminders.care.loading import procedures_in  # noqa: PLC0415  only the Tab key needs it
    from reminders.config import shipped_templates  # noqa: PLC0415

    names = procedures_in(shipped_templates())
    return [CompletionItem(name) for name in names if name.startswith(incomplete)]
