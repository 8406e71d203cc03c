"""`reminders audit`, `purge`, `hold`, `erase` and `export`, and the entry that each command leaves."""

from __future__ import annotations

import getpass
import json
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import pytest

from reminders.cli import COMMANDS
from tests.cli.terminal import Terminal

MINE = {"who_kind": "cli", "who": getpass.getuser()}

LEAVES: Mapping[str, tuple[str, str]] = {
    "patients": ("patients Robin", "patient.find"),
    "enrollments": ("enrollments Robin", "patient.find"),
    "messages": ("messages 1", "message.see"),
    "replan": ("replan 1 --visit 2026-03-24T09:30 --yes", "course.change"),
    "pause": ("pause 1 --yes", "course.pause"),
    "end": ("end 1 --yes", "course.end"),
    "extend": ("extend 1 --days 1 --yes", "course.change"),
    "cancel": ("cancel 1 --reason moved --yes", "course.cancel"),
    "consent": ("consent 1", "consent.see"),
    "reply": ("reply --from 312-555-0123 thanks", "reply.take"),
    "concerns": ("concerns", "concern.see"),
    "concerns show": ("concerns show 1", "concern.see"),
    "concerns take": ("concerns take 1 --by Ada", "concern.taken"),
    "concerns note": ("concerns note 1 --by Ada noted", "concern.note"),
    "concerns close": ("concerns close 1 --by Ada --outcome reached", "concern.closed"),
    "digest": ("digest", "today.see"),
    "record": ("record 1", "record.see"),
    "sheet": ("sheet 1", "course.see"),
    "api-keys": ("api-keys add Door --scope enroll", "api_key.add"),
    "backup": ("backup copy.backup", "backup.make"),
    "audit": ("audit list", "audit.see"),
    "hold": ("hold add 1 --reason letter", "hold.add"),
    "export": ("export 1 copy.json", "patient.export"),
    "run": ("run --once", "message.send"),
}
"""A command, how it is called, and the entry that it leaves."""

LEAVES_NONE = {
    "init": "makes the database",
    "doctor": "counts",
    "procedures": "plans",
    "new-procedure": "plans",
    "preview": "no patient",
    "check": "plans",
    "triage": "stores and reads nothing",
    "approvals": "plans",
    "partition": "moves rows as they are",
    "forecast": "counts",
    "move": "moves rows as they are, those of the trail among them",
    "completion": "no patient",
}
ELSEWHERE = {
    "enroll": "here, by the fixture",
    "approve": "here, by the fixture",
    "resume": "here: a course that is paused goes on",
    "erase": "here",
    "purge": "here, and tests/desk/test_retention.py",
    "restore": "here",
    "serve": "tests/web/test_trail.py",
    "keys": "here",
    "waiting": "tests/cli/test_waiting.py",
    "settings": "tests/cli/test_settings.py",
}


def entries(terminal: Terminal) -> list[dict[str, object]]:
    """Every entry as the database holds it, oldest first."""
    with closing(sqlite3.connect(terminal.folder / "reminders.sqlite3")) as database:
        database.row_factory = sqlite3.Row
        return [dict(row) for row in database.execute("SELECT * FROM audit_entry ORDER BY sequence")]


@pytest.fixture
def enrolled(terminal: Terminal) -> Terminal:
    """The terminal after Robin Example was enrolled, and wrote that something is wrong."""
    terminal.enroll()
    terminal.run("reply", "--from", "312-555-0123", "there is pus and it smells")
    return terminal


def test_every_command_is_tried_or_says_why_it_leaves_none() -> None:
    tried = {name.partition(" ")[0] for name in LEAVES}
    assert set(COMMANDS) <= {*tried, *LEAVES_NONE, *ELSEWHERE}


@pytest.mark.parametrize("command", list(LEAVES))
def test_a_command_that_shows_or_changes_something_leaves_an_entry(enrolled: Terminal, command: str) -> None:
    words, action = LEAVES[command]
    before = len(entries(enrolled))
    here = (str(enrolled.folder / word) if word.startswith("copy.") else word for word in words.split())
    done = enrolled.run(*here)
    assert done.exit_code == 0, done.stderr
    new = entries(enrolled)[before:]
    assert action in [each["action"] for each in new]
    if command != "run":
        assert next({name: each[name] for name in MINE} for each in new if each["action"] == action) == MINE


def test_enrolling_and_approving_leave_entries(enrolled: Terminal) -> None:
    found = [(each["action"], each["patient_id"]) for each in entries(enrolled)]
    assert ("plan.approve", None) in found
    assert ("patient.enroll", 1) in found


def test_a_course_that_goes_on_leaves_an_entry(enrolled: Terminal) -> None:
    enrolled.run("pause", "1", "--yes")
    enrolled.run("resume", "1", "--yes")
    assert "course.resume" in [each["action"] for each in entries(enrolled)[-2:]]


def test_new_keys_leave_an_entry_and_old_entries_still_prove_themselves(enrolled: Terminal) -> None:
    assert enrolled.run("keys", "rotate").exit_code == 0
    assert entries(enrolled)[-1]["action"] == "seal.rotate"
    assert enrolled.ask("audit", "verify")["ok"] is True


def test_entries_are_listed_by_patient_and_person(enrolled: Terminal) -> None:
    enrolled.run("record", "1")
    found = enrolled.ask("audit", "list", "--patient", "1", "--action", "record")
    assert [(each["action"], each["name"]) for each in found] == [("record.see", getpass.getuser())]
    assert enrolled.ask("audit", "list", "--staff", f"cli:{getpass.getuser()}", "--limit", "1")
    assert "Robin" not in enrolled.run("audit", "list").stdout
    assert enrolled.run("audit", "list", "--staff", "nobody").exit_code == 2


def test_an_untouched_trail_is_proved_and_the_rate_told(enrolled: Terminal) -> None:
    done = enrolled.run("audit", "verify")
    assert done.exit_code == 0
    assert "a second" in done.stdout
    assert "as it was written" in done.stdout


def test_an_altered_entry_is_named_with_exit_code_one(enrolled: Terminal) -> None:
    with closing(sqlite3.connect(enrolled.folder / "reminders.sqlite3")) as database:
        database.execute("DROP TRIGGER audit_entry_unchanged")
        database.execute("UPDATE audit_entry SET who = 'somebody' WHERE sequence = 2")
        database.commit()
    done = enrolled.ask("audit", "verify", status=1)
    assert [(each["kind"], each["first"]) for each in done["findings"]] == [("altered", 2)]
    assert "entry 2" in enrolled.run("audit", "verify").stdout


def test_an_anchor_shows_a_tail_that_was_cut_off(enrolled: Terminal, tmp_path: Path) -> None:
    anchors = tmp_path / "anchors"
    anchors.write_text(enrolled.run("audit", "anchor").stdout)
    anchored = json.loads(anchors.read_text())["sequence"]
    assert enrolled.ask("audit", "verify", "--anchor", anchors)["ok"] is True
    with closing(sqlite3.connect(enrolled.folder / "reminders.sqlite3")) as database:
        for trigger in ("audit_entry_stays", "audit_head_forward"):
            database.execute(f"DROP TRIGGER {trigger}")
        database.execute("DELETE FROM audit_entry WHERE sequence > 2")
        database.execute("UPDATE audit_head SET sequence = 2, hash = (SELECT hash FROM audit_entry WHERE sequence = 2)")
        database.commit()
    assert enrolled.ask("audit", "verify")["ok"] is True
    done = enrolled.ask("audit", "verify", "--anchor", anchors, status=1)
    assert [(each["kind"], each["first"], each["last"]) for each in done["findings"]] == [("cut_off", 3, anchored)]


def test_a_file_that_holds_no_anchor_is_refused(enrolled: Terminal, tmp_path: Path) -> None:
    for content, says in (("", "no anchor of this practice"), ("hello", "line 1 is no anchor")):
        (tmp_path / "anchors").write_text(content)
        done = enrolled.run("audit", "verify", "--anchor", tmp_path / "anchors")
        assert (done.exit_code, says in done.stderr) == (2, True)


def test_a_restored_copy_goes_on_with_an_entry_that_says_so(enrolled: Terminal, tmp_path: Path) -> None:
    copy = tmp_path / "copy.backup"
    assert enrolled.run("backup", copy).exit_code == 0
    done = enrolled.run("restore", copy, "--replace", "--yes")
    assert done.exit_code == 0, done.stderr
    assert entries(enrolled)[-1]["action"] == "backup.restore"
    assert enrolled.ask("audit", "verify")["ok"] is True


def test_a_patient_is_erased_only_when_the_law_allows_it_or_somebody_says_why(enrolled: Terminal) -> None:
    refused = enrolled.run("erase", "1", "--yes")
    assert refused.exit_code == 1
    assert "course 1 still runs" in refused.stderr
    assert "concern 1 is open" in refused.stderr
    enrolled.run("cancel", "1", "--reason", "moved", "--yes")
    for each in enrolled.ask("concerns"):
        enrolled.run("concerns", "close", each["id"], "--by", "Ada", "--outcome", "reached")
    too_soon = enrolled.run("erase", "1", "--yes")
    assert too_soon.exit_code == 2
    assert "has to be kept until 2032" in too_soon.stderr
    done = enrolled.ask("erase", "1", "--yes", "--despite-retention", "state law 12")
    assert done["erased"] is True
    assert any("audit trail" in each for each in done["stays"])
    assert enrolled.counts()["patient"] == enrolled.counts()["message"] == enrolled.counts()["consent_event"] == 0
    last = entries(enrolled)[-1]
    assert (last["action"], last["patient_id"]) == ("patient.erase", 1)
    assert json.loads(str(last["details"]))["despite_retention"] == "state law 12"


def test_a_hold_refuses_every_erasure(enrolled: Terminal) -> None:
    assert enrolled.run("hold", "add", "1", "--reason", "letter of a court").exit_code == 0
    assert enrolled.ask("hold")[0]["reason"] == "letter of a court"
    done = enrolled.run("erase", "1", "--yes", "--despite-retention", "asked for it")
    assert (done.exit_code, "legal hold" in done.stderr) == (1, True)
    assert enrolled.run("hold", "remove", "1", "--yes").exit_code == 0
    assert enrolled.ask("hold") == []
    assert enrolled.run("hold", "remove", "1", "--yes").exit_code == 1


def test_a_patients_own_copy_holds_everything_once(enrolled: Terminal, tmp_path: Path) -> None:
    for name in ("copy.json", "copy.html"):
        assert enrolled.run("export", "1", tmp_path / name).exit_code == 0
        assert (tmp_path / name).stat().st_mode & 0o077 == 0
        content = (tmp_path / name).read_text()
        for word in ("Robin Example", "+13125550123", "there is pus and it smells", "partial-nail-avulsion-chemical"):
            assert word in content, word
    found = json.loads((tmp_path / "copy.json").read_text())
    assert len(found["courses"]) == 1
    assert len(found["courses"][0]["replies"]) + len(found["other_replies"]) == 1
    assert enrolled.run("export", "1", tmp_path / "copy.json").exit_code == 2


def test_a_dry_run_shows_what_would_go(enrolled: Terminal) -> None:
    before = enrolled.counts()
    found = {each["kind"]: each["count"] for each in enrolled.ask("purge", "--dry-run")}
    assert found["courses"] == 0
    assert enrolled.run("purge", "--dry-run").exit_code == 0
    assert enrolled.ask("purge", "--yes") == {}
    assert enrolled.counts() == before


def test_periods_below_what_the_law_asks_for_are_refused(terminal: Terminal) -> None:
    config = terminal.folder / "config.toml"
    config.write_text(config.read_text() + "\n[retention]\ndocumentation_years = 5\n")
    done = terminal.run("purge", "--dry-run")
    assert (done.exit_code, "documentation_years" in done.stderr) == (2, True)
