"""A patient with marked words goes through real processes that meet faults; then all is searched for the marks."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import IO

import httpx
import pytest

from reminders.cli.faults import ENV_DEBUG
from reminders.records.tables import Practice
from tests.build import LEAD
from tests.records.traces import held
from tests.servers import fresh_database, open_database, write_keys
from tests.waiting import free_port

FIRST, LAST, PHONE, MAIL = "Zébedee", "Quillfeather", "+13125550177", "zebedee.q@example.org"
REPLY, SITE = "it smells of xylograph", "left xiphoid"
MARKS = (FIRST, LAST, "3125550177", "312-555-0177", "zebedee.q", "xylograph", "xiphoid")
AUTH = ("gateway", "open sesame")
ROOT = str(Path(__file__).parents[2])


class _Gateway(ThreadingHTTPServer):
    """Hears messages until the end of its block."""

    daemon_threads = True

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        super().__init__(("127.0.0.1", 0), _Handler)
        threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True).start()

    def __exit__(self, *_error: object) -> None:
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    """Refuses what it gets and repeats it, as gateways do."""

    server: _Gateway

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        heard = self.server.heard
        heard.append(body)
        self.send_response(400, body.decode("ascii", "replace")[:60].replace("\n", " "))
        answer = json.dumps({"id": str(len(heard)), "error": body.decode()}).encode()
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_words: object) -> None:
        """Say nothing."""


@dataclass
class Played:
    """What could be read by somebody who may not read a patient's data, by where it stood."""

    surfaces: dict[str, bytes] = field(default_factory=dict)
    handed_over: bytes = b""
    statuses: list[int] = field(default_factory=list)
    events: set[str] = field(default_factory=set)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Enrolled, sent, refused, answered and broken, by `enroll`, `run` and `serve`."""
    folder = tmp_path_factory.mktemp("marked")
    found = Played()
    with _Gateway() as gateway, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "manager"))
        manager.setblocking(False)
        (folder / "temporary").mkdir()
        _Play(folder, gateway.server_port, found).whole()
        states = b""
        while (told := _received(manager)) is not None:
            states += told + b"\n"
        found.surfaces["what the service manager was told"] = states
        found.handed_over = b"".join(gateway.heard)
    return found


def _received(manager: socket.socket) -> bytes | None:
    try:
        return manager.recv(4096)
    except BlockingIOError:
        return None


@dataclass
class _Play:
    folder: Path
    gateway: int
    found: Played

    def whole(self) -> None:
        url = fresh_database("sqlite", self.folder)
        write_keys(self.folder)
        (self.folder / "config.toml").write_text(
            f'database = "{url}"\ndemo = true\n'
            '[practice]\nname = "Example"\nzone = "UTC"\nphone = "212-555-0100"\nregion = "US"\n'
            '[contact]\nquiet_hours = []\n[delivery]\nsms = "http"\n[delivery.http]\nparallel = 2\n'
            f'url = "http://127.0.0.1:{self.gateway}/"\n'
            'json_body = \'{"to": {{ to }}, "body": {{ text }}, "key": {{ key }}}\'\n'
            '[delivery.http.hook_auth]\nuser = "gateway"\npassword = {env = "HOOK_PASSWORD"}\n'
            '[delivery.http.reply_hook]\nsender = "from"\ntext = "body"\nid = "id"\n'
            '[delivery.http.receipt_hook]\nkey = "key"\nstatus = "status"\ndelivered = ["ok"]\nfailed = ["bad"]\n',
            "utf-8",
        )
        database = open_database(url)
        with database.writing() as session:
            session.add(Practice(id="main", name="Example", created_at=datetime.now(UTC)))
        self._enroll()
        with database.writing() as session:
            # a step that fails with a row in its hands: the error of the database repeats it
            session.connection().exec_driver_sql(
                "CREATE TRIGGER breaks BEFORE INSERT ON concern"
                f" BEGIN SELECT RAISE(ABORT, '{FIRST} {LAST} {REPLY}'); END"
            )
        with ExitStack() as running:
            pages = self._started(running, "serve", "--web-only", "--port", str(port := free_port()))
            monitor = free_port()
            worker = self._started(running, "run", "--log", "json", "--monitor", f"127.0.0.1:{monitor}")
            self._call_hooks(f"http://127.0.0.1:{port}")
            self._ask_wrongly(f"http://127.0.0.1:{port}")
            self._await_failure()
            for path in ("metrics", "healthz", "readyz"):
                self.found.surfaces[f"monitor/{path}"] = httpx.get(f"http://127.0.0.1:{monitor}/{path}").content
            for process in (pages, worker):
                command = Path(f"/proc/{process.pid}/cmdline")
                self.found.surfaces[f"arguments of {process.args!r}"] = (
                    command.read_bytes() if command.exists() else b""
                )
            worker.send_signal(signal.SIGABRT)
            worker.wait(30)
            pages.send_signal(signal.SIGTERM)
            pages.wait(60)
        names = "\n".join(str(each) for each in self.folder.rglob("*"))
        self.found.surfaces["names of files"] = names.encode()
        left = [each for each in (self.folder / "temporary").rglob("*") if each.is_file()]
        self.found.surfaces["temporary files"] = b"".join(each.read_bytes() for each in left)
        for name in ("serve", "run"):
            for stream in ("stdout", "stderr"):
                self.found.surfaces[f"{stream} of {name}"] = (self.folder / f"{name}.{stream}").read_bytes()
        lines = (self.folder / "run.stderr").read_text().splitlines()
        self.found.events = {json.loads(line)["event"] for line in lines if line.startswith("{")}

    def _enroll(self) -> None:
        words = {
            "first-name": FIRST, "last-name": LAST, "phone": PHONE, "email": MAIL, "site": SITE, "factor": "none",
            "end": f"{datetime.now(UTC):%Y-%m-%dT%H:%M}",
        }  # fmt: skip
        options = [f"--{name}={value}" for name, value in words.items()]
        subprocess.run(
            [*self._command(), "enroll", LEAD, *options, "--consent"], env=self._env(), check=True, capture_output=True
        )

    def _command(self) -> list[str]:
        return [sys.executable, "-m", "reminders", "--config", str(self.folder / "config.toml")]

    def _env(self) -> Mapping[str, str]:
        return {
            **os.environ,
            "PYTHONPATH": ROOT,
            "PYTHONFAULTHANDLER": "1",
            ENV_DEBUG: "1",
            "HOOK_PASSWORD": AUTH[1],
            "TMPDIR": str(self.folder / "temporary"),
            "NOTIFY_SOCKET": str(self.folder / "manager"),
        }

    def _started(self, running: ExitStack, name: str, *words: str) -> subprocess.Popen[bytes]:
        out, err = (self._opened(running, f"{name}.{stream}") for stream in ("stdout", "stderr"))
        process = subprocess.Popen(
            [*self._command(), name, *words], stdout=out, stderr=err, env=self._env(), cwd=self.folder
        )
        running.callback(process.wait, 30)
        running.callback(process.kill)
        return process

    def _opened(self, running: ExitStack, name: str) -> IO[bytes]:
        return running.enter_context((self.folder / name).open("wb"))

    def _call_hooks(self, base: str) -> None:
        """What a gateway brings: believed or not, readable or not, and one that the database refuses."""
        said = {"from": PHONE, "body": REPLY, "id": FIRST}
        with httpx.Client(base_url=base, transport=httpx.HTTPTransport(retries=10), timeout=60) as caller:
            for answer in (
                caller.post("/gateway/replies", json=said, auth=AUTH),
                caller.get("/gateway/replies", params=said, auth=AUTH),
                caller.get("/gateway/replies", params=said, auth=(FIRST, LAST)),
                caller.post("/gateway/replies", content=f'{{"from": "{PHONE}", "{FIRST}', auth=AUTH,
                            headers={"Content-Type": "application/json"}),
                caller.post("/gateway/receipts", json={"key": FIRST, "status": LAST}, auth=AUTH),
                caller.post(f"/gateway/{FIRST}", json=said, auth=AUTH),
            ):  # fmt: skip
                self._keep("hook", answer)

    def _ask_wrongly(self, base: str) -> None:
        """What somebody asks for who may not, with marks wherever they can be put."""
        with httpx.Client(base_url=base, timeout=60) as browser:
            for method, path in (
                ("GET", f"/staff/{FIRST}"), ("GET", "/staff/courses/1"), ("GET", f"/my/{FIRST}/"),
                ("POST", "/staff/checkout"), ("POST", f"/my/{LAST}/open"), ("PUT", f"/staff/{LAST}"),
                ("POST", f"/unsubscribe/{FIRST}"), ("POST", "/api/v1/enrollments"), ("GET", f"/api/v1/{LAST}"),
                ("GET", "/staff/patients"), ("GET", "/healthz"), ("GET", "/readyz"), ("GET", "/metrics"),
            ):  # fmt: skip
                form = {"first_name": FIRST, "last_name": LAST, "phone": PHONE, "search": LAST, "code": PHONE}
                headers = {"Authorization": f"Bearer {LAST}", "Cookie": f"staff={LAST}"}
                where = {"search": LAST, "q": FIRST}
                data = form if method == "POST" else None
                self._keep(f"{method} page", browser.request(method, path, params=where, data=data, headers=headers))

    def _keep(self, name: str, answer: httpx.Response) -> None:
        self.found.statuses.append(answer.status_code)
        head = "\n".join(f"{each}: {value}" for each, value in answer.headers.items())
        self.found.surfaces[f"{name} {len(self.found.statuses)}"] = head.encode() + b"\n" + answer.content

    def _await_failure(self) -> None:
        deadline = time.monotonic() + 30
        while b"job_failed" not in (self.folder / "run.stderr").read_bytes():
            assert time.monotonic() < deadline, (self.folder / "run.stderr").read_text()
            time.sleep(0.05)


def test_the_whole_job_was_played_and_met_faults(played: Played) -> None:
    assert held(played.handed_over, MARKS) == ["3125550177"]  # what goes to the gateway would be found
    assert {200, 303, 401, 403, 404, 503} <= set(played.statuses)
    assert {"started", "job_failed"} <= played.events
    assert b"Fatal Python error: Aborted" in played.surfaces["stderr of run"]
    assert b"gateway_call_put_off" in played.surfaces["stderr of serve"]
    assert b"READY=1" in played.surfaces["what the service manager was told"]
    assert b"reminders_" in played.surfaces["monitor/metrics"]


def test_no_mark_is_in_anything_that_others_may_read(played: Played) -> None:
    """45 CFR 164.502(b), minimum necessary: a log, a figure or a page of an error is for no patient's data."""
    found = {name: held(octets, MARKS) for name, octets in played.surfaces.items()}
    assert {name: marks for name, marks in found.items() if marks} == {}
