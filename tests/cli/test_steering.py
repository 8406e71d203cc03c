"""The commands that a concern leads to: pause, resume, end, extend; hand over, give back, reopen."""

from __future__ import annotations

import pytest

from tests.cli.terminal import Terminal


@pytest.fixture
def enrolled(terminal: Terminal) -> Terminal:
    """The terminal after Robin Example was enrolled, and wrote that something is wrong."""
    terminal.enroll()
    terminal.run("run", "--once")
    terminal.run("reply", "--from", "312-555-0123", "there is pus and it smells")
    return terminal


def test_a_course_is_paused_and_goes_on(enrolled: Terminal) -> None:
    paused = enrolled.ask("pause", "1", "--yes", "--by", "Ada", "--concern", "1", "--reason", "in hospital")
    assert paused["paused"] is True
    assert paused["waiting"] > 10
    enrolled.later("2026-03-09T20:00:00+00:00")
    enrolled.run("run", "--once")
    assert enrolled.ask("messages", "1", "--state", "withheld")
    resumed = enrolled.ask("resume", "1", "--yes", "--by", "Ada")
    assert resumed["stored"] is True
    assert [step["note"] for step in enrolled.ask("concerns", "show", "1")["history"] if step["by"] == "Ada"] == [
        "course 1 paused: in hospital"
    ]


def test_ending_shows_what_is_not_sent(enrolled: Terminal) -> None:
    result = enrolled.run("end", "1", "--yes", "--by", "Ada", "--reason", "healed")
    assert "cancelled" in result.stdout
    assert "Enrollment 1 is ended" in result.stdout
    assert enrolled.ask("messages", "1", "--state", "scheduled") == []


def test_extending_adds_soaks(enrolled: Terminal) -> None:
    changes = enrolled.ask("extend", "1", "--days", "2", "--yes", "--by", "Ada")["changes"]
    assert {each["key"] for each in changes if each["what"] == "added"} >= {"soak"}


def test_new_facts_are_noted_on_the_concern_that_brought_them(enrolled: Terminal) -> None:
    words = ("--dressing-applied", "2026-03-07T20:00", "--concern", "1", "--reason", "came off", "--by", "Ada", "--yes")
    assert enrolled.ask("replan", "1", *words)["stored"] is True
    last = enrolled.ask("concerns", "show", "1")["history"][-1]
    assert (last["by"], last["note"].endswith("messages change: came off")) == ("Ada", True)


@pytest.mark.parametrize("command", [("pause", "1"), ("end", "1"), ("extend", "1", "--days", "1")])
def test_nothing_is_done_unasked(enrolled: Terminal, command: tuple[str, ...]) -> None:
    result = enrolled.run(*command)
    assert result.exit_code == 2
    assert "--yes" in result.stderr


def test_a_concern_is_handed_over_given_back_and_opened_again(enrolled: Terminal) -> None:
    enrolled.ask("concerns", "hand-over", "1", "--to", "D. Doctor", "--by", "N. Nurse")
    enrolled.ask("concerns", "give-back", "1", "--by", "D. Doctor", "--note", "called away")
    enrolled.ask("concerns", "close", "1", "--outcome", "reached", "--by", "N. Nurse")
    reopened = enrolled.ask("concerns", "reopen", "1", "--note", "called again", "--by", "N. Nurse")
    assert reopened["state"] == "open"
    assert [step["action"] for step in reopened["history"]] == [
        "opened",
        "handed_over",
        "given_back",
        "closed",
        "reopened",
    ]
