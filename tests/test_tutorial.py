"""The tutorial of DEVELOPERS.md as it is printed: each command ends well, each file is written as it stands there."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from reminders.assembly import assemble
from reminders.cli import commands
from tests.build import PLANS

MANUAL = PLANS.parent / "DEVELOPERS.md"
LEFT_OUT = {
    "sh demo/run",  # the environment is there
    ". .venv/bin/activate",
    "reminders check skin-tag",  # does for minutes what --quick does in seconds
}


def steps() -> Iterator[tuple[str, str]]:
    """What the tutorial tells to do, in its order: a file to write with its words, or `$` and a command."""
    tutorial = MANUAL.read_text(encoding="utf-8").partition("### Step by step")[2].partition("\n## ")[0]
    told = re.compile(r"(?:Replace (?:all of )?`([^`]+)` by this:\n\n)?```(\w+)\n(.*?)```", re.DOTALL)
    for file, kind, words in told.findall(tutorial):
        if file:
            yield file, words
        else:
            assert kind == "console"
            for line in words.splitlines():
                assert line.startswith("$ ")
                yield "$", line.removeprefix("$ ")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of what a newcomer has: the library, and nothing set up."""
    shutil.copytree(PLANS, tmp_path / "message_templates")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(command: str) -> str:
    """Do what a line says."""
    program, *words = shlex.split(command)
    if program == "rm":
        for name in words:
            Path(name).unlink()
        return ""
    assert program == "reminders"
    result = CliRunner(env={"COLUMNS": "120"}).invoke(commands, words, obj=assemble)
    assert result.exit_code == 0, (command, result.stdout, result.stderr)
    if words[0] == "init":  # the program's own folder of plans is the one of the repository, which no test may touch
        config = Path("config.toml")
        config.write_text('templates = "message_templates"\n' + config.read_text("utf-8"), "utf-8")
    return result.stdout


def test_the_tutorial_leads_from_nothing_to_an_approved_plan(folder: Path) -> None:
    said: dict[str, str] = {}
    for what, words in steps():
        if what != "$":
            assert (folder / what).is_file(), f"{what} is to be replaced, but is not there"
            (folder / what).write_text(words, encoding="utf-8")
        elif words not in LEFT_OUT:
            said[words] = run(words)
    assert "skin-tag holds: 0 faults" in said["reminders check skin-tag --quick"]
    timeline = said["reminders procedures skin-tag"]
    assert "TODO" in timeline
    preview = said["reminders preview skin-tag --end 2026-06-10T10:30 --zone America/Chicago"]
    assert "No bath, pool or sea until Wed, Jun 17." in " ".join(preview.split())
    assert "was the result told?" in " ".join(preview.split())
    assert "TODO" not in preview
    assert (folder / "skin-tag.html").read_text("utf-8").count("US-ED")
    (line,) = [each for each in said["reminders procedures"].splitlines() if each.strip().startswith("skin-tag")]
    assert line.split()[-1] == "yes"


def test_the_tutorial_has_steps_of_every_kind() -> None:
    found = list(steps())
    assert len([words for what, words in found if what == "$"]) > 10
    assert len([what for what, _ in found if what != "$"]) == 5
