"""What a command loads: help imports no command, a preview and a triage no database."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from reminders.cli import COMMANDS, commands
from tests.build import LEAD

PREVIEW = ["preview", LEAD, "--end", "2026-03-07T15:30", "--zone", "America/Chicago", "--json"]
_AFTER = "import atexit,json,sys; atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr)); "
_RUN = "sys.argv[0] = 'reminders'; from reminders.cli import main; main()"


def modules_after(words: list[str], folder: Path) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", _AFTER + _RUN, *words], cwd=folder, capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stderr.splitlines()[-1]))


@pytest.mark.parametrize(
    ("words", "unwanted"),
    [
        pytest.param(["--help"], {"pydantic", "jinja2", "rich", "phonenumbers", "sqlalchemy"}, id="help"),
        pytest.param(PREVIEW, {"sqlalchemy", "sqlmodel", "alembic", "apscheduler", "phonenumbers"}, id="preview"),
        pytest.param(["triage", "--json", "it smells"], {"sqlalchemy", "pydantic", "jinja2", "rich"}, id="triage"),
        pytest.param(["procedures", "--json"], {"sqlalchemy", "apscheduler", "alembic"}, id="procedures"),
    ],
)
def test_a_command_loads_only_what_it_needs(words: list[str], unwanted: set[str], tmp_path: Path) -> None:
    assert modules_after(words, tmp_path) & unwanted == set()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_helps_with_an_example(command: str) -> None:
    shown = CliRunner().invoke(commands, [command, "--help"]).stdout

    assert "Example" in shown
    assert f"reminders {command}" in shown
    assert all(len(line) <= 120 for line in shown.splitlines())


def test_the_reader_may_leave_early(tmp_path: Path) -> None:
    done = subprocess.run(
        f"{sys.executable} -m reminders {' '.join(PREVIEW)} | head -c 1",
        shell=True, cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip

    assert done.stdout == "["
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr


def test_run_ends_cleanly_on_ctrl_c(fresh_practice: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "reminders", "--config", str(fresh_practice / "config.toml"), "run"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert "Running for Example Foot Care" in process.stdout.readline()
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)

    assert process.returncode == 0
    assert "Stopped" in stdout
    assert "Traceback" not in stderr
