"""`reminders run` and `reminders serve` as services: their log, their port and their end, in processes of their own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import httpx
import pytest
from sqlalchemy import delete, update

from reminders.records.database import Database
from reminders.records.tables import Contact, Patient
from tests.servers import fresh_database, open_database, write_keys
from tests.stored import add_course, row, soaks, states, store
from tests.waiting import free_port, until

NAME, NUMBER, WORDS = "Marker-Name", "+12025550177", "marker words of a text"
"""Invented, and planted wherever a patient's own may stand."""


class _Gateway(ThreadingHTTPServer):
    """Answers slowly; what it says about an odd message repeats it, as gateways do."""

    daemon_threads = True

    def __init__(self) -> None:
        self.keys: list[str] = []
        """Of what was handed over, in the order in which it came."""
        super().__init__(("127.0.0.1", 0), _Handler)


class _Handler(BaseHTTPRequestHandler):
    server: _Gateway

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.keys.append(json.loads(body)["key"])
        time.sleep(0.3)
        refuse = b"refuse" in body
        answer = json.dumps({"id": "1", "error": body.decode()}).encode()
        self.send_response(400 if refuse else 200)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_words: object) -> None:
        """Say nothing."""


@pytest.fixture
def gateway() -> Iterator[_Gateway]:
    server = _Gateway()
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    yield server
    server.shutdown()
    server.server_close()


@dataclass
class Service:
    """A running command."""

    process: subprocess.Popen[str]
    events: list[dict[str, object]]
    lines: list[str]

    def await_event(self, name: str, **fields: object) -> dict[str, object]:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            for event in list(self.events):
                if event["event"] == name and fields.items() <= event.items():
                    return event
            assert self.process.poll() is None, self.lines
            time.sleep(0.01)
        raise AssertionError(f"no {name} in {self.lines}")

    def end(self, *, within_seconds: int = 30) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(within_seconds)


@contextmanager
def _running(folder: Path, gateway: _Gateway, *words: str) -> Iterator[Service]:
    (folder / "config.toml").write_text(
        f'database = "{(folder / "url").read_text()}"\ndemo = true\n'
        '[practice]\nname = "Example"\nzone = "UTC"\nphone = "212-555-0100"\n[contact]\nquiet_hours = []\n'
        '[delivery]\nsms = "http"\n[delivery.http]\nparallel = 2\n'
        f'url = "http://127.0.0.1:{gateway.server_port}/"\n'
        'json_body = \'{"to": {{ to }}, "body": {{ text }}, "key": {{ key }}}\'\n',
        "utf-8",
    )
    command = [sys.executable, "-m", "reminders", "--config", str(folder / "config.toml")]
    process = subprocess.Popen(
        [*command, *(words or ("run", "--log", "json", "--monitor", "127.0.0.1:0"))],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    service = Service(process, [], [])

    def read() -> None:
        assert process.stderr is not None
        for line in process.stderr:
            service.lines.append(line)
            if line.startswith("{"):
                service.events.append(json.loads(line))

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        yield service
    finally:
        process.kill()
        process.communicate()
        reader.join(10)


@pytest.fixture
def due(tmp_path: Path) -> Iterator[Database]:
    """A database in which messages of a patient with a marked name, number and text are due."""
    url = fresh_database("sqlite", tmp_path)
    (tmp_path / "url").write_text(url)
    write_keys(tmp_path)
    database = open_database(url)
    now = datetime.now(UTC)
    add_course(database, at=now)
    with database.writing() as session:
        session.execute(update(Patient).values(first_name=NAME, last_name=NAME))
        session.execute(delete(Contact))
        session.add(Contact(practice_id="main", patient_id=1, channel="sms", address=NUMBER))
    marked: dict[str, Any] = {"address": NUMBER, "due_at": now, "useful_until": now + timedelta(hours=2)}
    store(
        database,
        *soaks(6, **marked, text=WORDS),
        row(7, **marked, text=f"{WORDS}: refuse"),
        *soaks(20, first=8, **marked, text=WORDS),
    )
    yield database
    database.close()


def test_stopped_in_mid_batch_it_brings_the_batch_to_its_end_and_claims_no_other(
    due: Database, tmp_path: Path, gateway: _Gateway
) -> None:
    with _running(tmp_path, gateway) as service:
        port = service.await_event("monitor_open")["port"]
        with urlopen(f"http://127.0.0.1:{port}/readyz", timeout=10) as answer:
            assert answer.status == 200
        until(lambda: "sending" in states(due))
        assert service.end(within_seconds=_stop_seconds("reminders-run.service")) == 0
    _settled_once(due, gateway)
    events = [event["event"] for event in service.events]
    assert "stopping" in events
    assert events[-1] == "stopped"


def test_a_server_of_pages_that_is_stopped_in_mid_batch_brings_that_to_its_end_too(
    due: Database, tmp_path: Path, gateway: _Gateway
) -> None:
    port = free_port()
    with _running(tmp_path, gateway, "serve", "--port", str(port)) as service:
        until(lambda: "sending" in states(due))
        with httpx.Client(transport=httpx.HTTPTransport(retries=8), timeout=30) as browser:
            assert browser.get(f"http://127.0.0.1:{port}/readyz").status_code == 200
            until(lambda: "sending" in states(due))
            assert service.end(within_seconds=_stop_seconds("reminders-serve.service")) == 0
    _settled_once(due, gateway)


def _settled_once(due: Database, gateway: _Gateway) -> None:
    """What was in hand is settled, the rest waits, and the gateway got nothing twice."""
    found = states(due)
    assert "sending" not in found
    assert "uncertain" not in found
    assert "scheduled" in found
    assert len(set(gateway.keys)) == len(gateway.keys) == len(found) - found.count("scheduled") > 0


def _stop_seconds(unit: str) -> int:
    """How long the service manager waits for the end before it kills."""
    text = (Path(__file__).parents[2] / "demo" / "systemd" / unit).read_text("utf-8")
    (line,) = [each for each in text.splitlines() if each.startswith("TimeoutStopSec=")]
    return int(line.partition("=")[2])


def test_no_event_and_no_figure_holds_a_name_a_number_or_a_text(
    due: Database, tmp_path: Path, gateway: _Gateway
) -> None:
    with due.writing() as session:
        # a job that fails with a row in its hands: the error of the database would repeat it
        session.connection().exec_driver_sql(
            "CREATE TRIGGER breaks BEFORE INSERT ON concern BEGIN SELECT RAISE(ABORT, 'marker words of a text'); END"
        )
    with _running(tmp_path, gateway) as service:
        port = service.await_event("monitor_open")["port"]
        broken = service.await_event("job_failed", job="dispatch sms")
        with urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
            shown = answer.read().decode()
        service.end()
        assert service.process.stdout is not None
        said = service.process.stdout.read()
    assert broken["error"] == "IntegrityError"
    assert "settle.py" in str(broken["where"])
    everything = "".join(service.lines) + shown + said
    assert [mark for mark in (NAME, NUMBER, NUMBER.strip("+"), "5550177", "marker words") if mark in everything] == []
    assert all(line.startswith("{") for line in service.lines)
