"""`sh demo/run --serve`: the practice of the demo, open on this computer with what two weeks left in it."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import httpx

from demo.serving import PASSWORD
from tests.demo.test_play import DEMO
from tests.waiting import free_port
from tests.web.people import csrf_in


def test_the_played_practice_is_open_to_those_who_work_there(tmp_path: Path) -> None:
    port = free_port()
    command = [sys.executable, str(DEMO / "play.py"), "--out", str(tmp_path / "out"), "--serve", "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, encoding="utf-8", cwd=tmp_path) as served:
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
        served.communicate(timeout=60)
    assert served.returncode == 0
