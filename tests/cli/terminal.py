"""A terminal as the tests use it: real commands in this process, on a practice in a folder of its own."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from reminders.assembly import App
from reminders.cli import commands
from reminders.clock import VirtualClock
from reminders.config import load_config
from reminders.desk.plans import PlanLibrary
from tests.build import LEAD

PHONE = "312-555-0123"
END = "2026-03-07T15:30"
TABLES = (
    "patient",
    "contact",
    "consent_event",
    "enrollment",
    "message",
    "reply",
    "concern",
    "concern_event",
    "approval",
)


NOW = "2026-03-07T21:45:00+00:00"
"""15:45 in Chicago, a quarter of an hour after most procedures of these tests."""

_LIBRARY = cache(PlanLibrary)


@dataclass(frozen=True)
class Terminal:
    """One practice and what is typed there."""

    folder: Path
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(datetime.fromisoformat(NOW)))
    runner: CliRunner = field(default_factory=lambda: CliRunner(env={"COLUMNS": "200"}))

    library_of: Callable[[Path], PlanLibrary] = _LIBRARY

    def run(self, *words: str | Path, stdin: bytes | str | None = None) -> Result:
        """Type a command."""
        config = str(self.folder / "config.toml")
        return self.runner.invoke(commands, ["--config", config, *map(str, words)], input=stdin, obj=self.app)

    def app(self, config: Path | None) -> App:
        """The program by this terminal's clock; plans that no test changes are read once for all of them."""
        return App(load_config(config), self.clock, self.library_of)

    def later(self, moment: str) -> None:
        """Let time pass until an instant."""
        self.clock.move_to(datetime.fromisoformat(moment))

    def ask(self, *words: str | Path, status: int = 0, stdin: bytes | str | None = None) -> Any:
        """Type a command with `--json` and return what it prints; it must end with this status."""
        result = self.run(*words, "--json", stdin=stdin)
        assert result.exit_code == status, result.stderr
        return json.loads(result.stdout)

    def enroll(self, *words: str) -> Any:
        """Enroll Robin Example, who is healthy, or as `words` change it."""
        return self.ask(*enrollment(), *words)

    def counts(self) -> dict[str, int]:
        """How many rows each table holds."""
        with closing(sqlite3.connect(self.folder / "reminders.sqlite3")) as database:
            return {table: database.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in TABLES}


def enrollment(**changes: str | None) -> list[str]:
    """The words that enroll Robin Example, some of them changed; None leaves an option out."""
    usual: dict[str, str | None] = {
        "--first-name": "Robin",
        "--last-name": "Example",
        "--phone": PHONE,
        "--end": END,
        "--factor": "none",
        "--by": "front desk",
    }
    changed = {f"--{name.replace('_', '-')}": value for name, value in changes.items() if name != "consent"}
    words = [f"{name}={value}" for name, value in {**usual, **changed}.items() if value is not None]
    return ["enroll", LEAD, *words, *([] if "consent" in changes else ["--consent"])]


def files_of_practice(folder: Path) -> None:
    """Set a practice up, as a person would."""
    here = Terminal(folder)
    answers: Sequence[str] = (
        *("--name", "Example Foot Care"), *("--zone", "America/Chicago"), *("--phone", "312-555-0100"),
        *("--after-hours-phone", "312-555-0199"), *("--email", "office@example.org"),
    )  # fmt: skip
    for words in (("init", *answers), ("approve", LEAD, "--by", "C. Clinician", "--license", "12345", "--yes")):
        result = here.run(*words)
        assert result.exit_code == 0, result.stderr
