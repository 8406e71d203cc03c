"""Log lines on stderr: an event's name and ids, never a patient's name, number or words; tracebacks on request."""

from __future__ import annotations

import json
import logging
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

import click

from reminders.cli.crashes import where_it_broke
from reminders.cli.faults import debugging

_PACKAGE = Path(__file__).parents[1]
_OWN = frozenset(vars(logging.LogRecord("", 0, "", 0, "", (), None))) | {"message", "asctime", "taskName"}


log_option = click.option(
    "--log", type=click.Choice(["text", "json"]), default="text", help="How events are told on stderr."
)


def log_to_stderr(*, as_json: bool = False) -> None:
    """Let events be printed, one line each: warnings and errors in words, or everything as JSON for a log collector.

    What libraries log may hold anything, so of theirs only the logger and the place are told.
    """
    lines = logging.StreamHandler(sys.stderr)
    lines.setFormatter(_JsonLine() if as_json else _Line())
    root = logging.getLogger()
    root.handlers = [lines]
    root.setLevel(logging.WARNING)
    logging.getLogger("reminders").setLevel(logging.INFO if as_json else logging.WARNING)


class _Line(logging.Formatter):
    """`2026-03-07T21:30:00Z ERROR job_failed job=dispatch error=OperationalError`."""

    def format(self, record: logging.LogRecord) -> str:
        parts = [self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"), record.levelname]
        parts += [f"{name}={value}" if name != "event" else str(value) for name, value in _fields(record).items()]
        if debugging() and record.exc_info and record.exc_info[1]:
            parts.append("\n" + where_it_broke(record.exc_info[1]))
        return " ".join(parts)


class _JsonLine(logging.Formatter):
    """`{"at": "2026-03-07T21:30:00.125000+00:00", "level": "error", "event": "job_failed", "job": "dispatch", …}`."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat()
        fields = {"at": at, "level": record.levelname.lower(), **_fields(record), "logger": record.name}
        return json.dumps(fields, ensure_ascii=True, default=str)


def _fields(record: logging.LogRecord) -> dict[str, object]:
    if not record.name.startswith("reminders"):
        return {"event": "library_message", "logger": record.name, "where": f"{record.module}:{record.lineno}"}
    fields: dict[str, object] = {"event": record.getMessage()}
    fields |= {name: value for name, value in vars(record).items() if name not in _OWN}
    if record.exc_info and record.exc_info[0]:
        # The error's own words may hold a patient's: its type and the lines it came by are enough to find the place.
        fields["error"] = record.exc_info[0].__name__
        if way := _way(record.exc_info[2]):
            fields["where"] = way
    return fields


def _way(trace: TracebackType | None) -> str:
    """Return the last of our lines that an error came by, and the line it was raised at, without any value."""
    frames = traceback.extract_tb(trace)
    ours = [frame for frame in frames if Path(frame.filename).is_relative_to(_PACKAGE)]
    way = [*ours[-3:], *(frames[-1:] if frames[-1:] != ours[-1:] else ())]
    return " > ".join(f"{Path(frame.filename).name}:{frame.lineno}" for frame in way)
