"""`reminders settings`: where values come from, and the way back from what was changed on the pages."""

from __future__ import annotations

from typing import Any

from reminders.desk.settings import Edit, change_settings
from reminders.records.practice_settings import add_setting
from reminders.records.tables_settings import PracticeSetting
from tests.cli.terminal import Terminal


def change(terminal: Terminal, section: str, **values: Any) -> int:
    """Change a section as its page does."""
    app = terminal.app(terminal.folder / "config.toml")
    app.require_practice()
    with app.database.writing() as session:
        seen = app.rules.version
        edit = Edit(section=section, values=values, by="Ada Admin")
        number = change_settings(session, app.desk, app.written, edit, seen=seen)
    app.database.close()
    return number


def test_it_shows_where_each_value_comes_from(terminal: Terminal) -> None:
    change(terminal, "practice", phone="312-555-0150")
    told = terminal.run("settings", "show")
    (phone,) = [line for line in told.stdout.splitlines() if " phone " in f"{line} "]
    assert "312-555-0150" in phone
    assert "Ada Admin" in phone
    (name,) = [line for line in told.stdout.splitlines() if "Example Foot Care" in line]
    assert "file" in name
    practice = terminal.ask("settings", "show")["practice"]
    assert (practice["version"], practice["changed_by"]) == (1, "Ada Admin")
    assert (practice["values"]["phone"], practice["file"]["phone"]) == ("312-555-0150", "312-555-0100")


def test_commands_and_the_doctor_go_by_what_was_changed(terminal: Terminal) -> None:
    change(terminal, "practice", phone="312-555-0150", name="Example Hand Care")
    terminal.enroll()
    (first, *_) = terminal.ask("messages", "1")
    assert first["text"].startswith("Example Hand Care")
    assert "312-555-0150" in first["text"]
    assert "changed on the pages: practice (Ada Admin" in terminal.run("doctor").stdout


def test_an_earlier_change_and_the_file_are_put_back(terminal: Terminal) -> None:
    for limit in (4, 3):
        change(terminal, "contact", daily_limit=limit, quiet_hours=["21:00-08:00"], quiet_hours_on={})
    assert "change 3" in terminal.run("settings", "put-back", "1", "--by", "Ada Admin").stdout
    assert terminal.ask("settings", "show")["contact"]["values"]["daily_limit"] == 4
    assert terminal.run("settings", "to-file", "contact", "--by", "Ada Admin").exit_code == 0
    assert terminal.ask("settings", "show")["contact"]["version"] == 0
    missing = terminal.run("settings", "put-back", "9", "--by", "Ada Admin")
    assert missing.exit_code == 2
    assert "there is no change 9" in missing.stderr


def test_a_change_that_does_not_fit_any_more_keeps_nobody_from_going_back(terminal: Terminal) -> None:
    """Such as one made by a newer program, or before the file changed."""
    app = terminal.app(terminal.folder / "config.toml")
    row = PracticeSetting(
        practice_id="main",
        version=0,
        section="duty",
        values={"shifts": [{"days": ["monday"], "hours": "00:00-24:00", "people": ["gone"]}]},
        changed_by="Ada Admin",
        changed_at=terminal.clock.now(),
    )
    with app.database.writing() as session:
        add_setting(session, row)
    app.database.close()
    told = terminal.run("concerns")
    assert told.exit_code == 2
    assert "`reminders settings to-file duty`" in told.stderr
    assert terminal.run("settings", "to-file", "duty", "--by", "Ada Admin").exit_code == 0
    assert terminal.run("concerns").exit_code == 0
