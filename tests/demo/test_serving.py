"""`sh demo/run --serve`: the practice of the demo, open on this computer with what two weeks left in it."""

from __future__ import annotations

import shlex
import signal
import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from demo.serving import PASSWORD
from tests.demo.test_play import DEMO
from tests.waiting import free_port
from tests.web.people import csrf_in

LOCK = "requirements.lock"


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """The repository as somebody has it who ran the demo before: its `.venv` holds what the lock names."""
    root = tmp_path / "clone"
    programs = root / ".venv" / "bin"
    programs.mkdir(parents=True)
    for name in ("demo", ".ci", LOCK, "pyproject.toml"):
        (root / name).symlink_to(DEMO.parent / name)
    python = programs / "python"
    python.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} "$@"\n', "utf-8")
    python.chmod(0o755)
    holds = subprocess.run(
        f"cat {LOCK} pyproject.toml | cksum", shell=True, cwd=root, capture_output=True, encoding="utf-8", check=True
    )
    (root / ".venv" / f".holds-{LOCK}").write_text(holds.stdout.strip(), "utf-8")
    (root / ".venv" / ".lies-in").write_text(str(root), "utf-8")
    return root


def test_the_played_practice_is_open_to_those_who_work_there(clone: Path, tmp_path: Path) -> None:
    """By the script itself: it passes on what it is told, and the signal that ends it."""
    port = free_port()
    command = ["sh", str(clone / "demo" / "run"), "--out", str(tmp_path / "out"), "--serve", "--port", str(port)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", cwd=tmp_path
    ) as served:
        assert served.stdout
        told = next(line for line in served.stdout if line.startswith("Open "))
        assert f"http://127.0.0.1:{port}" in told
        assert PASSWORD in told
        with httpx.Client(
            base_url=f"http://127.0.0.1:{port}", transport=httpx.HTTPTransport(retries=8), timeout=60
        ) as browser:
            token = csrf_in(browser.get("/staff/sign-in"))
            signed_in = {"login": "nurse", "password": PASSWORD, "csrf": token}
            assert browser.post("/staff/sign-in", data=signed_in).status_code == 303
            assert 'id="open-' in browser.get("/staff/concerns").text
            assert "in aftercare" in browser.get("/staff/today").text
        served.send_signal(signal.SIGTERM)
        _, said = served.communicate(timeout=60)
    assert served.returncode == 0
    assert "Installing" not in said
    socket.create_server(("127.0.0.1", port)).close()  # the port is free again
