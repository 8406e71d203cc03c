"""`reminders check`: what it says of a plan that holds and of one that does not, and that its examples can be seen."""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from reminders.cli import commands
from tests.build import PLANS

PLAN = "invented-care"
TEXT = "en/rest.sms.j2"
PLAN_FILE = """
title = "Invented care"
version = 1
languages = ["en"]
cautions = ["Invented."]
blocks = ["desk"]
desk_message = "confirmation"
factors = ["diabetes", "child"]

[[instruction]]
key = "rest"
about = "Rest on the first day."
when = [{ on_day = 1, at = "morning" }]
quiet = "later"
useful_hours = 12
required = false
importance = 4
in_doubt = "resend"
words_change_with = ["diabetes"]
source = "invented"

[[warning_sign]]
sign = "Invented"
urgency = "urgent"
from_day = 0
source = "invented"
"""
LANGUAGE = 'language = "en"\ntranslation_status = "original"\n'
GOOD = 'Rest today.{{ " Look at it twice a day." if "diabetes" in has }} Questions? Call {{ practice_phone }}.\n'
BAD = GOOD.replace("Look at it", "Look at your toenail")
PRACTICE = '[practice]\nname = "Example Foot Care"\nzone = "America/Chicago"\nphone = "312-555-0100"\n'


@dataclass(frozen=True)
class Checked:
    """A folder of plans of one's own, and what `check` said about the plan in it."""

    folder: Path
    plain: Result
    rows: Result

    @property
    def findings(self) -> list[dict[str, Any]]:
        """The findings as data."""
        (report,) = json.loads(self.rows.stdout)
        found: list[dict[str, Any]] = report["findings"]
        return found


def run(folder: Path, *words: str) -> Result:
    return CliRunner(env={"COLUMNS": "160"}).invoke(commands, ["--config", str(folder / "config.toml"), *words])


def plans_in(folder: Path, *, rest: str) -> Path:
    (folder / "config.toml").write_text(f'templates = "{folder / "plans"}"\n{PRACTICE}', "utf-8")
    shutil.copytree(PLANS / "shared", folder / "plans" / "shared")
    plan = folder / "plans" / PLAN
    (plan / "en").mkdir(parents=True)
    (plan / "plan.toml").write_text(PLAN_FILE, "utf-8")
    (plan / "en" / "language.toml").write_text(LANGUAGE, "utf-8")
    (plan / "en" / "rest.sms.j2").write_text(rest, "utf-8")
    (plan / "en" / "rest.email.j2").write_text(f"Subject: Your next step\n\n{rest.replace('toenail', 'skin')}", "utf-8")
    return folder


def checked(folder: Path, *, rest: str) -> Checked:
    plans_in(folder, rest=rest)
    words = ("check", PLAN, "--processes", "1")
    return Checked(folder, run(folder, *words), run(folder, *words, "--json"))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """A plan that holds."""
    return checked(tmp_path_factory.mktemp("sound"), rest=GOOD)


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The same with a word in it that a locked screen must not show, for patients with diabetes only."""
    return checked(tmp_path_factory.mktemp("faulty"), rest=BAD)


def test_a_plan_that_holds_ends_with_success_and_says_how_much_was_tried(sound: Checked) -> None:
    assert (sound.plain.exit_code, sound.rows.exit_code) == (0, 0), sound.plain.stdout
    assert "Proving 1 plan, which may take minutes" in sound.plain.stderr
    assert f"{PLAN} holds: 0 faults" in sound.plain.stdout
    assert "enrollments tried" in sound.plain.stdout
    assert "texts in en: original" in sound.plain.stdout


def test_what_was_tried_is_data_too(sound: Checked) -> None:
    (report,) = json.loads(sound.rows.stdout)
    assert report["holds"] is True
    assert set(report["cases"]) == {"alone", "together", "kinds", "words"}
    assert report["cases_run"] == sum(report["cases"].values()) > 100
    assert report["stands_for"] > 10**6
    assert report["languages"]["en"] == "original"


def test_a_plan_that_falls_short_ends_with_failure_and_names_file_and_line(faulty: Checked) -> None:
    assert (faulty.plain.exit_code, faulty.rows.exit_code) == (1, 1)
    assert f"{PLAN} falls short" in faulty.plain.stdout
    assert f"{faulty.folder / 'plans' / PLAN / TEXT}:1: private_word" in faulty.plain.stdout.replace("\n", "")


def test_a_finding_is_data_for_programs(faulty: Checked) -> None:
    (found,) = [each for each in faulty.findings if each["severity"] == "fault"]
    assert (found["rule"], found["line"], Path(found["file"]).name) == ("private_word", 1, "rest.sms.j2")
    assert "'toenail'" in found["message"]
    assert found["cases"] >= 1


def test_the_example_is_the_smallest_and_preview_shows_it(faulty: Checked) -> None:
    (found,) = [each for each in faulty.findings if each["severity"] == "fault"]
    words: Sequence[str] = shlex.split(found["example"])
    assert words[:3] == ["reminders", "preview", PLAN]
    assert [words[at + 1] for at, word in enumerate(words) if word == "--factor"] == ["diabetes"]
    assert "--set" not in words
    rows = json.loads(run(faulty.folder, *words[1:], "--json").stdout)
    assert any("Look at your toenail" in row["text"] for row in rows)


def test_two_processes_find_what_one_finds(faulty: Checked) -> None:
    (one,) = json.loads(faulty.rows.stdout)
    (two,) = json.loads(run(faulty.folder, "check", PLAN, "--processes", "2", "--json").stdout)
    assert (one.pop("processes"), two.pop("processes")) == (1, 2)
    assert {**one, "seconds": 0} == {**two, "seconds": 0}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("check", "nowhere"), "no procedure nowhere"),
        (("check", PLAN, "--quick", "--exhaustive"), "either --exhaustive or --quick"),
        (("check", PLAN, "--processes", "0"), "--processes"),
    ],
)
def test_what_can_not_be_checked_is_the_callers_fault(sound: Checked, words: tuple[str, ...], message: str) -> None:
    result = run(sound.folder, *words)
    assert result.exit_code == 2
    assert message in result.stderr


def test_a_plan_that_can_not_be_loaded_is_told_with_its_line(sound: Checked, tmp_path: Path) -> None:
    folder = plans_in(tmp_path, rest="Rest for {{ rest_dayz }} days.\n")
    file = folder / "plans" / PLAN / TEXT
    result = run(folder, "check", PLAN, "--quick", "--processes", "1")
    assert result.exit_code == 1
    assert f"{file}:1: faulty_file" in result.stdout.replace("\n", "")
    assert "rest_dayz" in result.stdout
