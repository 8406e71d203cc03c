"""Whether a worker goes round, and what the local port tells about it."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from reminders.clock import VirtualClock
from reminders.delivery import watch as watching
from reminders.delivery.monitor import Monitor, Probe, Probes
from reminders.delivery.report import DispatchReport
from reminders.delivery.runner import RecurringJob
from reminders.delivery.supervisor import ALIVE, READY, tell_supervisor
from reminders.delivery.watch import Watch
from reminders.errors import ConfigError
from reminders.records.database import Database
from reminders.records.heartbeats import DISPATCH, last_beat
from tests.delivery.scripted import ScriptedTransport, dispatcher
from tests.servers import fresh_database, open_database
from tests.stored import NOON, add_course, row, soaks, store

OPENMETRICS = "application/openmetrics-text; version=1.0.0"
TRANSPORTS = {"sms": "scripted", "email": "scripted"}


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[tuple[Database, Watch]]:
    database = open_database(fresh_database("sqlite", tmp_path))
    add_course(database)
    yield database, Watch(database, VirtualClock(NOON), "main")
    database.close()


def _samples(text: str) -> dict[tuple[str, ...], float]:
    """Every figure by its name and labels, read by the strict parser of the reference library."""
    found = {}
    for family in text_string_to_metric_families(text):  # type: ignore[no-untyped-call]
        for sample in family.samples:
            found[sample.name, *sorted(sample.labels.values())] = sample.value
    return found


def _get(port: int, path: str, **headers: str) -> tuple[int, str]:
    try:
        with urlopen(Request(f"http://127.0.0.1:{port}{path}", headers=headers), timeout=10) as answer:
            return answer.status, answer.read().decode()
    except HTTPError as refused:
        with refused:
            return refused.code, refused.read().decode()


def test_the_port_tells_what_is_due_late_uncertain_and_sent_by_transport(watched: tuple[Database, Watch]) -> None:
    database, watch = watched
    long_ago = NOON - timedelta(minutes=20)
    in_doubt: dict[str, Any] = {"state": "uncertain", "handed_at": NOON, "transport": "smpp"}
    store(database, *soaks(3), row(4, due_at=long_ago), row(5, due_at=NOON + timedelta(hours=1)), row(6, **in_doubt))
    probes = watch.probes(TRANSPORTS, lambda: False)
    with Monitor("127.0.0.1", 0, probes) as monitor:
        before = _samples(_get(monitor.port, "/metrics", Accept=OPENMETRICS)[1])
        worker = dispatcher(database, ScriptedTransport(), observe=watch.observe)
        worker.run_once()
        after = _samples(_get(monitor.port, "/metrics", Accept=OPENMETRICS)[1])
        plain = _get(monitor.port, "/metrics")[1]
    assert before["reminders_due", "main", "scripted", "sms"] == 4
    assert before["reminders_late", "main", "scripted", "sms"] == 1
    assert before["reminders_uncertain", "main", "smpp"] == 1
    assert ("reminders_heartbeat_seconds", "main") not in before
    assert after["reminders_due", "main", "scripted", "sms"] == 0
    assert after["reminders_messages_total", "scripted", "sent"] == 4
    assert after["reminders_heartbeat_seconds", "main"] == NOON.timestamp()
    assert 'reminders_messages_total{outcome="sent",transport="scripted"} 4.0' in plain


def test_the_figures_say_so_when_the_database_cannot_be_read(watched: tuple[Database, Watch]) -> None:
    database, watch = watched
    probes = watch.probes(TRANSPORTS, lambda: False)
    Path(str(database.engine.url.database)).write_bytes(b"no database any more" * 1000)
    database.engine.dispose()
    body, _ = probes.metrics(OPENMETRICS)
    found = _samples(body.decode())
    assert found["reminders_database_up",] == 0
    assert not any(name == "reminders_due" for name, *_ in found)
    assert probes.ready().status == 503
    assert probes.alive().status == 200  # to start it anew would not mend the database


def test_a_worker_that_stands_still_is_not_alive(
    watched: tuple[Database, Watch], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, watch = watched
    monkeypatch.setattr(watching, "STALLED_AFTER", timedelta(milliseconds=30))
    job = watch.over(RecurringJob(name="dispatch", every=timedelta(hours=1), run=lambda: None))
    assert watch.alive() == Probe()
    time.sleep(0.05)
    assert watch.alive().status == 503
    job.run()
    assert watch.alive() == Probe()


def test_one_loop_that_stands_still_is_not_hidden_by_another(
    watched: tuple[Database, Watch], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, watch = watched
    monkeypatch.setattr(watching, "STALLED_AFTER", timedelta(milliseconds=30))
    job = watch.over(RecurringJob(name="dispatch email", every=timedelta(hours=1), run=lambda: None))
    time.sleep(0.05)
    watch.observe("scripted", DispatchReport(), loop="dispatch sms")
    assert watch.alive().status == 503
    with database.reading() as session:
        assert last_beat(session, "main", DISPATCH) is None
    job.run()
    watch.observe("scripted", DispatchReport(), loop="dispatch sms")
    with database.reading() as session:
        assert last_beat(session, "main", DISPATCH) == NOON


def test_a_run_that_fails_shows_that_the_loop_lives_but_beats_for_nobody(watched: tuple[Database, Watch]) -> None:
    database, watch = watched

    def fail() -> None:
        raise OSError("invented")

    with pytest.raises(OSError, match="invented"):
        watch.over(RecurringJob(name="dispatch", every=timedelta(hours=1), run=fail)).run()
    assert watch.alive() == Probe()
    with database.reading() as session:
        assert last_beat(session, "main", DISPATCH) is None


def test_a_heartbeat_that_cannot_be_written_stops_no_hand_over(watched: tuple[Database, Watch]) -> None:
    database, watch = watched
    store(database, *soaks(3))
    with database.writing() as session:
        session.connection().exec_driver_sql("DROP TABLE heartbeat")
    assert dispatcher(database, ScriptedTransport(), observe=watch.observe).run_once().sent == 3
    assert watch.ready(stopping=False).trouble == ("the database takes nothing in (OperationalError)",)


def test_the_heartbeat_is_written_once_in_a_while(tmp_path: Path) -> None:
    database = open_database(fresh_database("sqlite", tmp_path))
    clock = VirtualClock(NOON)
    watch = Watch(database, clock, "main", beats_every=timedelta(hours=1))
    watch.observe("scripted", DispatchReport())
    clock.advance(timedelta(minutes=1))
    watch.observe("scripted", DispatchReport())
    with database.reading() as session:
        assert last_beat(session, "main", DISPATCH) == NOON
    often = Watch(database, clock, "main", beats_every=timedelta(0))
    often.observe("scripted", DispatchReport())
    with database.reading() as session:
        assert last_beat(session, "main", DISPATCH) == NOON + timedelta(minutes=1)
    database.close()


@pytest.mark.parametrize(
    ("stopping", "trouble", "status", "says"),
    [
        pytest.param(False, (), 200, "ok", id="works"),
        pytest.param(True, (), 503, "it is being stopped", id="drains"),
    ],
)
def test_ready_says_why_not(
    watched: tuple[Database, Watch], stopping: bool, trouble: tuple[str, ...], status: int, says: str
) -> None:
    probes = watched[1].probes(TRANSPORTS, lambda: stopping)
    with Monitor("127.0.0.1", 0, probes) as monitor:
        assert _get(monitor.port, "/readyz") == (status, says + "\n")
        assert _get(monitor.port, "/healthz") == (200, "ok\n")


def test_other_paths_and_methods_are_refused_and_a_taken_port_is_told() -> None:
    probes = Probes(alive=Probe, ready=Probe, metrics=lambda _accept: (b"", "text/plain"))
    with Monitor("127.0.0.1", 0, probes) as monitor:
        assert _get(monitor.port, "/")[0] == 404
        with pytest.raises(HTTPError) as refused, urlopen(f"http://127.0.0.1:{monitor.port}/healthz", data=b"x"):
            pass
        assert refused.value.code == 405
        refused.value.close()
        with pytest.raises(ConfigError, match=r"--monitor 127\.0\.0\.1"):
            Monitor("127.0.0.1", monitor.port, probes)


def test_the_service_manager_is_told_over_its_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`sd_notify(3)`: one datagram, an assignment a line; `@` stands for the abstract namespace."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not tell_supervisor(READY)
    for address in (str(tmp_path / "notify"), f"@reminders-test-{tmp_path.name}"):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind("\0" + address[1:] if address.startswith("@") else address)
            monkeypatch.setenv("NOTIFY_SOCKET", address)
            assert tell_supervisor(ALIVE)
            assert manager.recv(100) == b"WATCHDOG=1"
    assert not tell_supervisor(ALIVE)
