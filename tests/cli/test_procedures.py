"""`procedures` and `new-procedure`: the timeline of a plan, and a plan of one's own from nothing to approval."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from reminders.desk.plans import PlanLibrary
from tests.build import LEAD
from tests.cli.terminal import Terminal
from tests.cli.test_setting_up import own_plans

APPROVAL = ("--by", "C. Clinician", "--license", "12345", "--yes")


def test_a_timeline_shows_each_day_and_each_instruction(terminal: Terminal) -> None:
    result = terminal.run("procedures", "wart-cantharidin")

    assert result.exit_code == 0
    assert "Day 0" in result.stdout
    assert "wash_off: Now wash it off with soap and water." in result.stdout
    assert "(some patients)" in result.stdout


def test_a_timeline_is_data_for_programs_too(terminal: Terminal) -> None:
    found = terminal.ask("procedures", "punch-biopsy")

    assert {"key": "result_given", "for_staff": True, "day": 14, "at": "08:00"}.items() <= next(
        each for each in found if each["key"] == "result_given"
    ).items()


def test_a_timeline_is_drawn_into_a_file(terminal: Terminal, tmp_path: Path) -> None:
    target = tmp_path / "plan.svg"
    assert terminal.run("procedures", "vasectomy", "--svg", target).exit_code == 0

    root = ET.fromstring(target.read_text("utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


@pytest.mark.parametrize(("words", "message"), [(("--svg", "x.svg"), "needs the name"), (("nowhere",), "no procedure")])
def test_a_timeline_of_nothing_is_refused(terminal: Terminal, words: tuple[str, ...], message: str) -> None:
    result = terminal.run("procedures", *words)

    assert result.exit_code == 2
    assert message in result.stderr


def test_a_new_procedure_is_approved_only_when_nothing_says_todo(terminal: Terminal) -> None:
    plans = own_plans(terminal)
    assert terminal.run("new-procedure", "ear-wash", "--title", "Ear washing").exit_code == 0
    listed = {each["procedure"]: each for each in terminal.ask("procedures")}
    assert listed["ear-wash"]["unfinished"] > 5

    refused = terminal.run("approve", "ear-wash", *APPROVAL)
    assert refused.exit_code == 2
    assert "plan.toml" in refused.stderr
    assert "TODO" in refused.stderr

    for path in (plans / "ear-wash").rglob("*"):
        if path.is_file():
            path.write_text(path.read_text("utf-8").replace("TODO", "Rest"), "utf-8")
    fresh = Terminal(terminal.folder, library_of=PlanLibrary)
    assert fresh.run("approve", "ear-wash", *APPROVAL).exit_code == 0


@pytest.mark.parametrize("name", ["Ear", "shared", LEAD])
def test_a_name_that_is_none_or_taken_is_refused(terminal: Terminal, name: str) -> None:
    own_plans(terminal)
    assert terminal.run("new-procedure", name).exit_code == 2
