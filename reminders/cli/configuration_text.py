"""The text of a new configuration file: the answers of `init`, and where to read about the rest."""

from __future__ import annotations

import json
from collections.abc import Mapping


def configuration_text(answers: Mapping[str, str], *, demo: bool) -> str:
    """Return a configuration with these settings of the practice, and `database` if it is among them."""
    practice = dict(answers)
    database = practice.pop("database", "sqlite:///reminders.sqlite3")
    practice["region"] = practice.get("region", "US").upper()
    lines = [
        "# The configuration of `reminders`. `reminders doctor` says what is wrong with it.",
        "# All settings with their defaults stand in config.example.toml of the program's source.",
        "",
        "# A file name counts from the folder of this file.",
        f"database = {_quoted(database)}",
    ]
    if demo:
        lines += ["", "# For trial only: unapproved plans and draft translations may be used.", "demo = true"]
    lines += ["", "[practice]", *(f"{name} = {_quoted(value)}" for name, value in practice.items() if value)]
    lines += [
        "",
        "[practice.opening_hours]",
        "# When somebody answers; a concern must be dealt with within these hours.",
        *(f'{day} = ["08:30-17:30"]' for day in ("monday", "tuesday", "wednesday", "thursday", "friday")),
        "closed_on = []  # dates, like 2026-12-25",
        "",
        "[contact]",
        "# Nobody is written to in these hours, by the patient's own clock.",
        'quiet_hours = ["21:00-08:00"]',
        "",
        "[delivery]",
        "# `file` writes messages into the folder below instead of sending them.",
        'sms = "file"',
        'email = "file"',
        "",
        "[delivery.file]",
        'folder = "outbox"',
        "",
    ]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL, which TOML wants escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
