"""How commands speak: tables and lines for people, JSON for programs, questions only where somebody can answer."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import click
from rich import box
from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from reminders.cli.control_characters import without_orders
from reminders.errors import InputError
from reminders.words import gettext, on_day

Value = TypeVar("Value")


class _Screen(Console):
    """A console on which what somebody wrote stays words: no text that a patient sends moves the cursor."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Give what is printed; only rich's own orders stay among it."""
        for each in super().render(renderable, options):
            yield each if each.control else each._replace(text=without_orders(each.text))


def console() -> Console:
    """Return the console for what people read."""
    return _Screen(highlight=False, soft_wrap=False, emoji=False, markup=False)


def table(*columns: str | tuple[str, dict[str, Any]], title: str | None = None, expand: bool = False) -> Table:
    """Return an empty table; a column is its heading, or (heading, options of rich)."""
    made = Table(
        title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False, expand=expand
    )
    for column in columns:
        heading, options = (column, {}) if isinstance(column, str) else column
        made.add_column(heading, **{"overflow": "fold", **options})
    return made


def show_rows(made: Table, rows: Iterable[Sequence[str | Text]]) -> None:
    """Print a table with rows; what patients and staff wrote is never read as markup. Without rows it says so."""
    filled = list(rows)
    if not filled:
        line("  " + gettext("none"), style="dim")
        return
    for row in filled:
        made.add_row(*(Text(cell) if isinstance(cell, str) else cell for cell in row))
    console().print(made)


def line(text: str | Text = "", *, style: str | None = None) -> None:
    """Print a line for people on stdout; the terminal breaks it, not we, so that it can be copied."""
    console().print(text, style=style, soft_wrap=True)


def warn(text: str) -> None:
    """Print a warning on stderr, so that it never mixes with what a program reads."""
    _Screen(stderr=True, highlight=False, emoji=False, markup=False).print(f"! {text}", style="yellow", soft_wrap=True)


def when(instant: datetime, zone: ZoneInfo) -> str:
    """Return an instant as people of a zone write it: `Sat 7 Mar 2026 15:30`."""
    return on_day(instant.astimezone(zone))


def short_when(instant: datetime, zone: ZoneInfo) -> str:
    """Return an instant without its year, for tables: `Sat 7 Mar 15:30`."""
    return on_day(instant.astimezone(zone), "EEE d MMM HH:mm")


def somebody_is_there() -> bool:
    """Say whether questions can be answered: a person sits at the terminal."""
    return sys.stdin.isatty()


def ask(question: str, read: Callable[[str], Value], *, default: str | None = None) -> Value:
    """Ask on stderr until the answer can be read; `read` raises InputError that says what is wrong with it."""

    def process(text: str) -> Value:
        try:
            return read(text)
        except InputError as error:
            raise click.UsageError(str(error)) from None

    shown = bool(default)
    answer: Value = click.prompt(question, default=default, show_default=shown, value_proc=process, err=True)
    return answer


def confirm(question: str, *, yes: bool) -> None:
    """Ask before something is done; raises click's Abort for no, InputError where nobody can answer."""
    require_somebody(yes=yes)
    if not yes:
        click.confirm(question, abort=True, err=True)


def require_somebody(*, yes: bool) -> None:
    """Raise InputError when a question is to come that nobody can answer."""
    if not yes and not somebody_is_there():
        raise InputError(gettext("nothing was done: there is no terminal to ask at; say --yes if you mean it"))
