"""The program's own parts, from the configuration to a reply and a receipt in the database."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.config import Config, load_config
from reminders.delivery.incoming import Arrival, IncomingReply, Receipt
from reminders.records.database import Database
from tests.desk.office import open_office
from tests.servers import fresh_database, write_keys
from tests.stored import NOON, add_course, concerns, messages, row, states, store
from tests.waiting import until

PRACTICE = '[practice]\nname = "Example"\nzone = "America/Los_Angeles"\nphone = "312-555-0100"\n'
SECTIONS = """
[delivery]
sms = "{sms}"
email = "smtp"
[delivery.smtp]
host = "127.0.0.1"
port = 9
tls = "none-on-loopback"
[delivery.smpp]
host = "127.0.0.1"
port = 9
tls = "none-on-loopback"
system_id = "practice"
sender = "12345"
password = {{ env = "INVENTED_PASSWORD" }}
[delivery.http]
url = "http://127.0.0.1:9/"
"""
STRANGER = "+12025550199"


def _config(folder: Path, sms: str, url: str = "sqlite:///unused.sqlite3") -> Config:
    write_keys(folder)
    (folder / "config.toml").write_text(f'database = "{url}"\n{PRACTICE}{SECTIONS.format(sms=sms)}', "utf-8")
    return load_config(folder / "config.toml")


@pytest.mark.parametrize("sms", ["smpp", "http"])
def test_the_transports_named_are_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sms: str) -> None:
    monkeypatch.setenv("INVENTED_PASSWORD", "invented")
    transports = App(_config(tmp_path, sms)).transports()
    assert {channel: each.name for channel, each in transports.items()} == {"sms": sms, "email": "smtp"}
    assert all(channel in each.capabilities.channels for channel, each in transports.items())
    for each in transports.values():
        each.close()


def test_a_mail_server_that_hangs_keeps_no_sms_waiting(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        smtp = {"host": "127.0.0.1", "port": silent.getsockname()[1], "tls": "none-on-loopback"}
        delivery = {"email": "smtp", "smtp": smtp}
        database = fresh_database("sqlite", tmp_path)
        office = open_office(tmp_path, database, "2026-06-10T14:00", delivery=delivery)
        office.enroll(phone="", email="robin@example.org", channel="email")
        dispatchers = office.app.dispatchers()
        runner = office.app.runner(*dispatchers)
        runner.start()
        try:
            connected, _ = silent.accept()  # and nothing is said
            sms = office.message(office.enroll(last_name="Other").enrollment_id, "confirmation")
            until(lambda: {each.id: each.state for each in office.messages()}[sms.id] == "sent")
            assert [each.state for each in office.messages() if each.channel == "email"].count("sending") > 0
            connected.close()
        finally:
            runner.close()
        for each in dispatchers:
            each.close()
    office.database.close()


def test_a_reply_and_a_failure_reach_staff(
    tmp_path: Path, database: Database, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("INVENTED_PASSWORD", "invented")
    add_course(database)
    (first,) = store(database, row(state="sent", handed_at=NOON, transport="http"))
    app = App(_config(tmp_path, "http", database_url), VirtualClock(NOON))
    key = f"{database.installation_name()}-{first}"
    app.intake.take_in(
        [
            Receipt(transport="http", arrival=Arrival.FAILED, key=key, detail="unreachable"),
            IncomingReply(channel="sms", sender=STRANGER, text="It is bleeding through the dressing and will not stop"),
        ]
    )
    app.database.close()
    assert states(database)[0] == "failed"
    assert messages(database)[0].detail == "not delivered: unreachable"
    found = {each.kind: each for each in concerns(database)}
    assert set(found) == {"delivery", "reply"}
    assert found["delivery"].summary == "soak did not arrive: unreachable."
    assert found["reply"].urgency in {"emergency", "urgent"}
