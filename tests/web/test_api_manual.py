"""The README's lines for programs, as they are printed, against the pages that `reminders serve` serves."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

from reminders.assembly import App
from reminders.config import load_config
from tests.cli.terminal import files_of_practice
from tests.waiting import free_port
from tests.web.server import serving

MANUAL = Path(__file__).parents[2] / "README.md"
PORT = "8420"
"""As printed; the test takes one that is free."""


def printed() -> str:
    """The commands of the section, one after the other, with what is fed to them."""
    section = MANUAL.read_text(encoding="utf-8").partition("**From another program**")[2]
    block = re.search(r"```console\n(.*?)```", section, re.DOTALL)
    assert block
    return "".join(line.removeprefix("$ ") for line in block[1].splitlines(keepends=True))


def values_in(text: str) -> list[object]:
    """The JSON values that a program printed one after the other, whatever stands between them."""
    found, place = [], 0
    while (place := text.find("{", place)) >= 0:
        value, place = json.JSONDecoder().raw_decode(text, place)
        found.append(value)
    return found


def test_the_lines_of_the_manual_do_what_it_says(tmp_path: Path) -> None:
    files_of_practice(tmp_path)
    app = App(load_config(tmp_path / "config.toml"))
    port = free_port()
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    with serving(app, port=port):
        done = subprocess.run(
            ["sh", "-c", f"set -e\n{printed().replace(PORT, str(port))}"],
            cwd=tmp_path,
            env={**os.environ, "PATH": path, "LC_ALL": "C.UTF-8"},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
    app.database.close()
    assert done.returncode == 0, done.stdout + done.stderr
    enrolled, course, taken = values_in(done.stdout)
    assert isinstance(enrolled, dict)
    assert isinstance(course, dict)
    assert isinstance(taken, dict)
    assert (enrolled["stored"], enrolled["enrollment"]) == (True, 1)
    assert course["patient"]["name"] == "Robin Example"
    assert (taken["reply"], taken["patient"]) == (1, 1)
    assert "Appointment book holds no more." in done.stdout
