"""Every command that shows or changes something of a patient leaves an entry in the audit trail."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import click

from reminders.cli import commands
from tests.build import LEAD
from tests.cli.terminal import END, PHONE, Terminal, enrollment
from tests.exchange.test_hl7_reading import A04

ROBIN_AGAIN = (*enrollment(), "--again", "--dry-run")
WHO_WAITS = ("enroll", LEAD, "--waiting", "1", "--end", END, "--consent", "--factor", "none")
DAY: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("enroll", tuple(enrollment()), "patient.enroll"),
    ("enroll", ROBIN_AGAIN, "patient.try"),
    ("enroll", ("enroll", LEAD, "--list", "list.csv", "--consent", "--dry-run"), "patient.try"),
    ("enroll", ("enroll", LEAD, "--list", "list.csv", "--consent"), "list.import"),
    ("patients", ("patients", "Robin"), "patient.find"),
    ("enrollments", ("enrollments",), "patient.find"),
    ("messages", ("messages", "1"), "message.see"),
    ("replan", ("replan", "1", "--set", "stop_day=6", "--yes"), "course.change"),
    ("replan", ("replan", "1", "--set", "stop_day=5", "--dry-run"), "course.see"),
    ("pause", ("pause", "1", "--yes"), "course.pause"),
    ("resume", ("resume", "1", "--yes"), "course.resume"),
    ("extend", ("extend", "1", "--days", "1", "--yes"), "course.change"),
    ("sheet", ("sheet", "1"), "course.see"),
    ("record", ("record", "1"), "record.see"),
    ("reply", ("reply", "--from", PHONE, "it is red and hot up to my ankle"), "reply.take"),
    ("digest", ("digest",), "today.see"),
    ("concerns", ("concerns",), "concern.see"),
    ("concerns show", ("concerns", "show", "1"), "concern.see"),
    ("concerns take", ("concerns", "take", "1"), "concern.taken"),
    ("concerns note", ("concerns", "note", "1", "no answer"), "concern.note"),
    ("concerns call", ("concerns", "call", "1", "--outcome", "reached"), "concern.called"),
    ("concerns give-back", ("concerns", "give-back", "1"), "concern.given_back"),
    ("concerns hand-over", ("concerns", "hand-over", "1", "--to", "Nora Nurse"), "concern.handed_over"),
    ("concerns close", ("concerns", "close", "1", "--by", "Nora Nurse", "--outcome", "reached"), "concern.closed"),
    ("concerns reopen", ("concerns", "reopen", "1", "--note", "called again"), "concern.reopened"),
    ("concerns close", ("concerns", "close", "1", "--outcome", "reached"), "concern.closed"),
    ("consent", ("consent", "1"), "consent.see"),
    ("waiting take", ("waiting", "take", "told.hl7"), "waiting.add"),
    ("waiting", ("waiting",), "waiting.see"),
    ("enroll", (*WHO_WAITS, "--dry-run"), "waiting.see"),
    ("waiting dismiss", ("waiting", "dismiss", "1"), "waiting.dismiss"),
    ("hold add", ("hold", "add", "1", "--reason", "a letter"), "hold.add"),
    ("hold", ("hold",), "patient.see"),
    ("hold remove", ("hold", "remove", "1", "--yes"), "hold.remove"),
    ("export", ("export", "1", "copy.json"), "patient.export"),
    ("end", ("end", "1", "--yes"), "course.end"),
    ("cancel", ("cancel", "2", "--reason", "by mistake", "--yes"), "course.cancel"),
    ("concerns close", ("concerns", "close", "2", "--outcome", "reached"), "concern.closed"),
    ("erase", ("erase", "1", "--yes", "--despite-retention", "as the patient asked"), "patient.erase"),
    ("approve", ("approve", LEAD, "--by", "C. Clinician", "--license", "12345", "--yes"), "plan.approve"),
    ("api-keys add", ("api-keys", "add", "Door", "--scope", "enroll"), "api_key.add"),
    ("api-keys revoke", ("api-keys", "revoke", "Door"), "api_key.revoke"),
    ("backup", ("backup", "copy.db"), "backup.make"),
    ("keys rotate", ("keys", "rotate"), "seal.rotate"),
    ("audit list", ("audit", "list"), "audit.see"),
    ("audit anchor", ("audit", "anchor"), "audit.anchor"),
)
"""A day of commands in their order: which it is, how it is typed, and the entry that it leaves."""

LEAVES_NONE = {
    "init": "makes the database",
    "doctor": "numbers without persons",
    "procedures": "plans, not patients",
    "new-procedure": "plans, not patients",
    "preview": "stores nothing and knows nobody",
    "check": "plans, not patients",
    "approvals": "plans, not patients",
    "triage": "stores nothing and knows nobody",
    "keys": "keys, not patients",
    "keys new": "makes the first key, before there is a trail",
    "keys status": "keys, not patients",
    "partition": "moves rows unread",
    "settings": "the practice's own settings",
    "settings show": "the practice's own settings",
    "api-keys": "keys, not patients",
    "audit": "help only",
    "audit verify": "numbers of entries and rows",
    "forecast": "numbers without persons",
}
ELSEWHERE = {
    "run": "tests/desk/test_trail.py",
    "serve": "tests/web/test_trail.py",
    "purge": "tests/desk/test_retention.py",
    "restore": "tests/cli/test_backing_up.py",
    "move": "tests/cli/test_moving.py",
    "settings put-back": "tests/web/test_trail.py, by the same function",
    "settings to-file": "tests/web/test_trail.py, by the same function",
}
LIST = f"""first_name,last_name,phone,end
Robin,Example,{PHONE},2026-03-07T15:30
Ash,Example,312-555-0124,2026-03-07T15:00
"""


def every_command(group: click.Group = commands, before: str = "") -> Iterator[str]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield before + name
        if isinstance(command, click.Group):
            yield from every_command(command, f"{before}{name} ")


def test_every_command_is_tried_or_says_why_it_leaves_none() -> None:
    tried = {name for name, _words, _action in DAY}
    assert set(every_command()) == tried | {*LEAVES_NONE, *ELSEWHERE}
    assert not tried & {*LEAVES_NONE, *ELSEWHERE}


def test_a_command_that_shows_or_changes_something_leaves_an_entry(terminal: Terminal) -> None:
    files = {"list.csv": LIST.encode(), "told.hl7": A04.encode()}
    for name, octets in files.items():
        (terminal.folder / name).write_bytes(octets)
    for name, words, action in DAY:
        before = len(entries(terminal))
        result = terminal.run(*(_in_folder(terminal.folder, word) for word in words))
        assert result.exit_code == 0, (name, result.stderr)
        new = entries(terminal)[before:]
        assert action in [said for said, _kind in new], (name, new)
        assert {kind for _said, kind in new} == {"cli"}, name


def _in_folder(folder: Path, word: str) -> str:
    return str(folder / word) if word.endswith((".csv", ".hl7", ".json", ".db")) else word


def entries(terminal: Terminal) -> list[tuple[str, str]]:
    """What every entry says was done, and who did it."""
    with closing(sqlite3.connect(terminal.folder / "reminders.sqlite3")) as database:
        return database.execute("SELECT action, who_kind FROM audit_entry ORDER BY sequence").fetchall()
