"""The units for a service manager: systemd itself reads them, and their commands exist."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from reminders.cli import COMMANDS

UNITS = sorted((Path(__file__).parents[2] / "demo" / "systemd").iterdir())


@pytest.mark.parametrize("unit", UNITS, ids=lambda each: each.name)
def test_a_unit_calls_a_command_that_there_is(unit: Path) -> None:
    starts = re.compile(r"^ExecStart=/usr/local/bin/reminders --config \S+ (\w+)", re.MULTILINE)
    called = starts.findall(unit.read_text("utf-8"))
    assert set(called) <= set(COMMANDS)
    assert called or unit.suffix == ".timer" or unit.stem == "reminders-tell@"


def test_systemd_finds_no_fault_in_the_units(tmp_path: Path) -> None:
    for unit in UNITS:
        # the program is looked for where it is: any that exists will do for reading the unit
        text = unit.read_text("utf-8").replace("/usr/local/bin/reminders", "/bin/true")
        (tmp_path / unit.name).write_text(text.replace("/usr/sbin/sendmail", "/bin/cat"), "utf-8")
    names = [str(tmp_path / unit.name.replace("@.", "@x.")) for unit in UNITS]
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *names], capture_output=True, text=True, check=False
    )
    faults = [line for line in done.stderr.splitlines() if str(tmp_path) in line or "reminders-" in line]
    assert (faults, done.returncode) == ([], 0)
