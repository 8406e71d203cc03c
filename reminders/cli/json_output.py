"""JSON on stdout, in UTF-8 wherever the program runs."""

from __future__ import annotations

import json
import sys


def print_json(value: object) -> None:
    """Print one JSON value on stdout."""
    _write(json.dumps(value, ensure_ascii=False, indent=2))


def print_json_line(value: object) -> None:
    """Print one JSON value on one line."""
    _write(json.dumps(value, ensure_ascii=False))


def _write(text: str) -> None:
    stream = sys.stdout.buffer
    stream.write(text.encode("utf-8", "backslashreplace") + b"\n")
    stream.flush()
