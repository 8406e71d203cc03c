"""`reminders serve` as a process: the link for the first administrator, one process at a time, a clean end."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from reminders.config import load_config
from reminders.errors import ConfigError
from reminders.web.serving import alone
from tests.cli.terminal import Terminal
from tests.waiting import free_port
from tests.web.people import PASSWORD, send

_COMMAND = (sys.executable, "-m", "reminders", "serve")


@contextmanager
def serving(folder: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    """Run the command in a practice's folder, and stop it as a service manager does."""
    here = {**os.environ, "REMINDERS_CONFIG": str(folder / "config.toml"), "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        [*_COMMAND, *words], env=here, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8"
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGTERM)
            process.communicate(timeout=60)


def test_the_first_start_prints_a_link_and_a_second_one_is_refused(terminal: Terminal) -> None:
    folder = terminal.folder
    port = free_port()
    with serving(folder, "--port", str(port)) as first:
        assert first.stdout
        told = first.stdout.readline() + first.stdout.readline()
        link = re.search(rf"http://127\.0\.0\.1:{port}/staff/welcome/[\w-]+", told)
        assert link, told
        with httpx.Client(transport=httpx.HTTPTransport(retries=8), timeout=30) as browser:
            assert browser.get(link[0]).status_code == 200
        with serving(folder, "--port", str(free_port())) as second:
            _, error = second.communicate(timeout=60)
        assert second.returncode == 2
        assert f"process {first.pid}" in error
    assert first.returncode == 0


def test_pages_alone_stand_beside_what_sends_and_send_nothing(terminal: Terminal) -> None:
    """`--web-only` needs no lock: it starts while another process serves and sends."""
    folder = terminal.folder
    _enroll_at_noon(terminal)
    assert [each["key"] for each in terminal.ask("messages", "--due")] == ["confirmation"]
    with alone(folder), serving(folder, "--web-only", "--port", str(port := free_port())) as pages:
        assert pages.stdout
        told = pages.stdout.readline() + pages.stdout.readline()
        token = re.search(r"/staff/welcome/[\w-]+", told)
        assert token, told
        with httpx.Client(
            base_url=f"http://127.0.0.1:{port}", transport=httpx.HTTPTransport(retries=8), timeout=30
        ) as browser:
            assert browser.get("/staff/sign-in").status_code == 200
            first = {"name": "Ada Admin", "login": "ada", "password": PASSWORD}
            assert send(browser, token[0], page=token[0], **first).status_code == 303
            assert browser.get("/staff/settings").status_code == 200
    assert pages.returncode == 0
    assert not (folder / "outbox" / "messages.jsonl").exists()
    with serving(folder, "--web-only", "--port", str(free_port())) as again:
        assert again.stdout
        line = again.stdout.readline()
        again.send_signal(signal.SIGTERM)
        rest, _ = again.communicate(timeout=60)
    assert "Example Foot Care" in line
    assert "welcome" not in line + rest


def test_events_are_told_as_json_and_name_nobody(terminal: Terminal) -> None:
    """The one-time link alone stands on stdout: it is for a person, and a log must not hold it."""
    _enroll_at_noon(terminal)
    with serving(terminal.folder, "--log", "json", "--port", str(free_port())) as process:
        assert process.stdout
        assert process.stderr
        link = process.stdout.readline()
        told: list[dict[str, Any]] = []
        while not told or told[-1]["event"] != "dispatched":
            told.append(json.loads(process.stderr.readline()))
        process.send_signal(signal.SIGTERM)
        rest, lines = process.communicate(timeout=60)
    told += [json.loads(line) for line in lines.splitlines()]
    assert process.returncode == 0
    assert "/staff/welcome/" in link
    assert rest == ""
    assert [each["event"] for each in told if each["event"] in {"started", "dispatched", "stopped"}] == [
        "started", "dispatched", "stopped",
    ]  # fmt: skip
    assert next(each for each in told if each["event"] == "dispatched")["sent"] == 1
    for word in ("Robin", "Invented", "31255501", "555-01", link.rpartition("/")[2].strip()):
        assert word not in json.dumps(told)


def _enroll_at_noon(terminal: Terminal) -> None:
    """Enroll somebody for whom it is about noon now, so that nothing waits for morning."""
    now = datetime.now(UTC)
    terminal.later(now.isoformat())
    noon = f"Etc/GMT{now.hour - 12:+}"  # the sign is POSIX's
    terminal.enroll(f"--zone={noon}", f"--end={now.astimezone(ZoneInfo(noon)):%Y-%m-%dT%H:%M}")


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ('host = "0.0.0.0"', "https://"),
        ('address = "http://x/y"', "without a path"),
        ("idle_minutes = 1", "greater"),
        # what is no address would be trusted by nobody, or by its name by everybody, without a word
        ('trusted_proxies = ["proxy"]', "IPv4 or IPv6 network"),
        ('trusted_proxies = ["*"]', "IPv4 or IPv6 network"),
        ('trusted_proxies = ["10.0.0.7/24"]', "host bits"),
    ],
)
def test_a_section_of_the_pages_that_is_not_safe_is_refused(tmp_path: Path, lines: str, told: str) -> None:
    practice = '[practice]\nname = "X"\nzone = "America/Chicago"\nphone = "312-555-0100"\n'
    (tmp_path / "config.toml").write_text(f"{practice}[web]\n{lines}\n", "utf-8")
    with pytest.raises(ConfigError, match=told):
        load_config(tmp_path / "config.toml")
