"""`reminders backup` and `reminders restore` as they are typed."""

from __future__ import annotations

from tests.cli.terminal import Terminal


def test_a_copy_is_made_put_back_and_told_of(terminal: Terminal) -> None:
    terminal.enroll()
    made = terminal.ask("backup", f"{terminal.folder}/copies/")
    before = terminal.counts()
    terminal.later("2026-03-08T12:00:00+00:00")

    refused = terminal.run("restore", made["file"], "--yes")
    assert refused.exit_code == 2
    assert "say --replace" in refused.stderr

    done = terminal.ask("restore", made["file"], "--replace")
    assert done["rows"]["message"] == before["message"]
    assert done["stayed"] > 0  # the outbox folder tells that nothing went out
    assert done["uncertain"] == 0
    assert terminal.counts() == {**before, "concern": 1, "concern_event": 1}


def test_what_is_no_time_or_no_copy_is_refused(terminal: Terminal) -> None:
    terminal.run("backup", terminal.folder / "copy")
    for words, says in (
        (("copy", "--ran-until", "noon"), "takes a time like"),
        (("config.toml",), "is missing"),
    ):
        result = terminal.run("restore", terminal.folder / words[0], *words[1:], "--replace", "--yes")
        assert result.exit_code == 2
        assert says in result.stderr


def test_the_two_lines_for_a_person_say_what_is_in_it(terminal: Terminal) -> None:
    terminal.enroll()
    made = terminal.run("backup", terminal.folder / "copy")
    assert made.exit_code == 0
    assert "read again and whole" in made.stdout
    put_back = terminal.run("restore", terminal.folder / "copy", "--replace", "--yes")
    assert put_back.exit_code == 0, put_back.stderr
    assert "before-20260307T214500Z" in put_back.stdout
    assert "then start `reminders run`" in put_back.stdout
