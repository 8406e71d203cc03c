"""Log lines on stderr: an event's name and ids, never a patient's name, number or words; tracebacks on request."""

from __future__ import annotations

import logging
import sys

from reminders.cli.faults import debugging

_OWN = frozenset(vars(logging.LogRecord("", 0, "", 0, "", (), None))) | {"message", "asctime", "taskName"}


def log_to_stderr() -> None:
    """Let warnings and errors of the program be printed, one line each."""
    lines = logging.StreamHandler(sys.stderr)
    lines.setFormatter(_Line())
    root = logging.getLogger("reminders")
    root.handlers = [lines]
    root.setLevel(logging.WARNING)
    root.propagate = False


class _Line(logging.Formatter):
    """`2026-03-07T21:30:00Z ERROR job_failed job=dispatch error=OperationalError`."""

    def format(self, record: logging.LogRecord) -> str:
        parts = [self.formatTime(record, "%Y-%m-%dT%H:%M:%S%z"), record.levelname, record.getMessage()]
        parts += [f"{name}={value}" for name, value in vars(record).items() if name not in _OWN]
        if record.exc_info and record.exc_info[0]:
            # The error's own words may hold a patient's: its type is enough to find the place.
            parts.append(f"error={record.exc_info[0].__name__}")
            if debugging():
                parts.append("\n" + self.formatException(record.exc_info))
        return " ".join(parts)
