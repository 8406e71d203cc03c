"""How an error is told to the person at the terminal: what happened, what to do, and the exit status it comes to."""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Callable

import click

from reminders.cli.crashes import where_it_broke
from reminders.cli.help_words import show_error
from reminders.errors import ConfigError, InputError, PlanError, ReminderError
from reminders.sentences import english
from reminders.words import gettext, marked, retold

DONE = 0
FELL_SHORT = 1
AT_FAULT = 2
"""The input or the configuration."""

ENV_DEBUG = "REMINDERS_DEBUG"

_DATABASE_ADVICE = (
    ("database is locked", marked("another program has been writing to the database for long; try again"), FELL_SHORT),
    (
        "readonly database",
        marked("the database may not be written to; check who owns the file and its folder"),
        AT_FAULT,
    ),
    ("attempt to write a readonly", marked("the database may not be written to; check its permissions"), AT_FAULT),
    ("unable to open database", marked("the database can't be opened; check its folder and its permissions"), AT_FAULT),
    ("not a database", marked("the file named as `database` is not one; check the configuration"), AT_FAULT),
    ("malformed", marked("the database is damaged; restore it from a backup"), FELL_SHORT),
    ("disk is full", marked("the disk is full; make room and try again"), FELL_SHORT),
    ("disk i/o error", marked("the disk failed to read or write; check it before anything else"), FELL_SHORT),
    ("no such table", marked("the database lacks a table; run `reminders init` to update it"), AT_FAULT),
    ("interrupted", marked("the database took too long; try again"), FELL_SHORT),
    ("timeout", marked("the database took too long; try again"), FELL_SHORT),
)
"""What a driver's message holds, what to tell instead, and the exit status."""

_VALIDATOR_SAYS = (
    english("Field required"),
    english("Input should be a valid string"),
    english("Input should be a valid integer"),
    english("Input should be a valid number"),
    english("Input should be a valid boolean"),
    english("Input should be a valid list"),
    english("Input should be a valid dictionary"),
    english("Input should be {known!r}"),
    english("Input should be greater than or equal to {lowest}"),
    english("Input should be less than or equal to {highest}"),
    english("Input should be greater than {lowest}"),
    english("Input should be less than {highest}"),
    english("String should have at least {count} character"),
    english("String should have at most {count} characters"),
    english("List should have at least {count} item after validation, not {number}"),
)
"""What pydantic 2 says most of a configuration or a plan; the rest of its words stay English."""


def told(run: Callable[[], object]) -> int:
    """Run something and return its exit status; an error is told on stderr, without a traceback."""
    try:
        status = run()
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except BrokenPipeError:
        # the reader (head, less) went away: nothing is wrong, and nothing can be said any more
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:  # noqa: BLE001  the outermost loop: whatever broke is told in a line
        return _tell(error)
    return status if isinstance(status, int) else DONE


def say(message: str) -> None:
    """Print a message on stderr, its further lines indented."""
    click.echo("reminders: " + message.replace("\n", "\n  "), err=True)


def debugging() -> bool:
    """Say whether tracebacks are wanted; they tell places and kinds, as errors quote what patients wrote."""
    return bool(os.environ.get(ENV_DEBUG))


def _tell(error: Exception) -> int:
    if isinstance(error, click.ClickException):
        show_error(error)
        return AT_FAULT
    message, status = _explained(error)
    say(message)
    if debugging():
        click.echo(where_it_broke(error), err=True, nl=False)
    return status


def _explained(error: Exception) -> tuple[str, int]:
    if isinstance(error, click.exceptions.Abort):
        return gettext("stopped; nothing more was done"), FELL_SHORT
    if isinstance(error, ReminderError):
        return retold(str(error)), AT_FAULT if isinstance(error, InputError | ConfigError | PlanError) else FELL_SHORT
    if type(error).__module__.startswith("sqlalchemy.") or isinstance(error, sqlite3.Error):
        return _database_advice(error)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or type(error).__name__}", AT_FAULT
    # The error's own words may hold what a patient wrote or is called: only its type is shown.
    said = marked("something unexpected happened ({error}); set {variable}=1 to see where")
    return gettext(said, error=type(error).__name__, variable=ENV_DEBUG), FELL_SHORT


def _database_advice(error: Exception) -> tuple[str, int]:
    words = str(getattr(error, "orig", error if isinstance(error, sqlite3.Error) else "")).lower()
    for part, advice, status in _DATABASE_ADVICE:
        if part in words:
            return gettext(advice), status
    said = marked("the database refused ({error}); set {variable}=1 to see why")
    return gettext(said, error=type(error).__name__, variable=ENV_DEBUG), FELL_SHORT
