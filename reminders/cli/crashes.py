"""What a crash leaves behind: where it happened and of what kind it was, never what was said or stood in memory."""

from __future__ import annotations

import logging
import resource
import sys
import threading
import traceback
from collections.abc import Iterator
from types import TracebackType

import click

_LOG = logging.getLogger(__name__)
_DATABASE_TELLS = ("sqlite_errorname", "sqlstate")
_DIAGNOSIS_TELLS = ("table_name", "column_name", "constraint_name")
"""What a driver knows of an error besides its words, which quote values."""


def leave_no_words() -> None:
    """Let nothing that breaks in this process show what it had in its hands: no core file, no error's own words.

    For a process of its own: it changes what Python does with whatever nobody caught.
    """
    # Memory holds what is sealed on the disk.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    logging.captureWarnings(capture=True)
    logging.raiseExceptions = False  # a line that can't be formatted would be printed with its values
    sys.excepthook = _end_of_program
    threading.excepthook = _end_of_thread
    sys.unraisablehook = _ignored


def where_it_broke(error: BaseException) -> str:
    """Return the traceback of an error and of those that led to it: lines of code and types, without their words."""
    return "".join(_told(error, set()))


def _told(error: BaseException, seen: set[int]) -> Iterator[str]:
    seen.add(id(error))
    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    if before is not None and id(before) not in seen:
        yield from _told(before, seen)
        yield "\nwhich led to:\n\n"
    yield "Traceback (most recent call last):\n"
    yield from traceback.format_tb(error.__traceback__)
    yield " ".join([type(error).__qualname__, *_codes(error)]) + "\n"
    if isinstance(error, BaseExceptionGroup):
        for each in error.exceptions:
            yield from _told(each, seen)


def _codes(error: BaseException) -> Iterator[str]:
    diagnosis = getattr(error, "diag", None)
    for source, names in ((error, _DATABASE_TELLS), (diagnosis, _DIAGNOSIS_TELLS)):
        yield from (f"{name}={value}" for name in names if (value := getattr(source, name, None)))


def _end_of_program(kind: type[BaseException], _error: BaseException, _trace: TracebackType | None) -> None:
    click.echo(f"reminders: {kind.__name__}", err=True)


def _end_of_thread(ended: threading.ExceptHookArgs) -> None:
    _log("thread_failed", ended.exc_value)


def _ignored(left: sys.UnraisableHookArgs) -> None:
    _log("error_ignored", left.exc_value)


def _log(event: str, error: BaseException | None) -> None:
    _LOG.error(event, exc_info=error)
