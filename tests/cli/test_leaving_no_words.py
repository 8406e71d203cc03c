"""What Python shows of an error that nobody caught: in processes of its own, no word that it had in its hands."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from reminders.cli.faults import ENV_DEBUG

WORD = "Zebedee"
_BEGIN = (
    "import json, logging, os, threading, warnings\n"
    "from reminders.cli.crashes import leave_no_words\n"
    "from reminders.cli.faults import told\n"
    "from reminders.cli.log_lines import log_to_stderr\n"
    "leave_no_words()\n"
    "log_to_stderr({mode})\n"
    "name = ''.join(map(chr, {codes}))\n"
    "def broken():\n"
    "    try:\n"
    "        int(name)\n"
    "    except ValueError as error:\n"
    "        raise RuntimeError(name) from error\n"
)
_ENDS = {
    "nobody caught it": ("broken()", "RuntimeError"),
    "in a thread": ("t = threading.Thread(target=broken); t.start(); t.join()", "thread_failed"),
    "as an object went": (
        "class Gone:\n    def __del__(self):\n        broken()\nGone()",
        "error_ignored",
    ),
    "a warning": ("warnings.warn(name)", "library_message"),
    "a library's log": ("logging.getLogger('other').error('for %s', name)", "library_message"),
    "a line that can't be formatted": ("logging.getLogger('reminders').error('for %d', name)", ""),
    "several at once": ("raise ExceptionGroup(name, [ValueError(name)])", "ExceptionGroup"),
    "a command": ("told(broken)", "RuntimeError"),
    "an event with its error": (
        "try:\n    broken()\nexcept RuntimeError:\n    logging.getLogger('reminders').exception('job_failed')",
        "job_failed",
    ),
    "a signal": ("import faulthandler; faulthandler.enable(); os.abort()", "Aborted"),
}


@pytest.mark.parametrize("debug", ["", "1"], ids=["", "with tracebacks"])
@pytest.mark.parametrize("mode", ["", "as_json=True"], ids=["text", "JSON"])
@pytest.mark.parametrize("end", _ENDS)
def test_whatever_broke_shows_no_word_of_a_patient(tmp_path: Path, end: str, mode: str, debug: str) -> None:
    code, told = _ENDS[end]
    begin = _BEGIN.format(mode=mode, codes=[ord(each) for each in WORD])
    done = subprocess.run(
        [sys.executable, "-c", begin + code],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={"PYTHONPATH": str(Path(__file__).parents[2]), **({ENV_DEBUG: debug} if debug else {})},
        check=False,
    )
    assert told in done.stderr
    assert WORD.lower() not in (done.stdout + done.stderr).lower()
    assert list(tmp_path.iterdir()) == []  # no core file either
    if end == "a signal":
        assert done.returncode == -signal.SIGABRT


def test_a_traceback_tells_the_places_and_the_kinds_of_the_whole_chain(tmp_path: Path) -> None:
    code = (
        "import sqlite3\nfrom sqlalchemy import create_engine, text\n"
        "def run():\n"
        "    with create_engine('sqlite://').begin() as connection:\n"
        "        connection.execute(text('CREATE TABLE t (a UNIQUE)'))\n"
        "        for _ in range(2):\n"
        "            connection.execute(text('INSERT INTO t VALUES (:a)'), {'a': name})\n"
        "told(run)\n"
    )
    begin = _BEGIN.format(mode="", codes=[ord(each) for each in WORD])
    done = subprocess.run(
        [sys.executable, "-c", begin + code],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={"PYTHONPATH": str(Path(__file__).parents[2]), ENV_DEBUG: "1"},
        check=False,
    )
    assert re.search(r"IntegrityError sqlite_errorname=SQLITE_CONSTRAINT_UNIQUE\n\nwhich led to:\n", done.stderr)
    assert "do_execute" in done.stderr
    assert WORD not in done.stderr


def test_a_real_process_of_the_program_may_leave_no_core_file() -> None:
    """A core file holds the process's memory, in which nothing is sealed (core(5), getrlimit(2))."""
    code = (
        "import resource, reminders.cli as cli\n"
        "cli.commands.main = lambda **_: print(resource.getrlimit(resource.RLIMIT_CORE))\n"
        "cli.main()"
    )
    root = {"PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=root, check=True)
    assert done.stdout == "(0, 0)\n"
