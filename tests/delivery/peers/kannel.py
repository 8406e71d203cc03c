"""A real SMS gateway (Kannel, as Debian packages it) whose message centre is its own emulated one."""

from __future__ import annotations

import os
import re
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from reminders.config_delivery import HttpSection
from reminders.delivery.hooks import HookCall
from reminders.delivery.transports.http import HttpTransport
from tests.delivery.peers.processes import Processes, listens, program
from tests.waiting import free_port

PASSWORD = "REMINDERS_TEST_GATEWAY_PASSWORD"
RECEIPTS = {"key": "key", "status": "status", "delivered": ["1"], "failed": ["2", "16"]}
"""Kannel's delivery report types: 1 delivered, 2 not, 16 rejected by the centre (its user's guide, chapter 7)."""
REPLIES = {"sender": "from", "text": "text", "id": "id"}


class KannelGateway:
    """Takes messages by GET, passes them to its emulated centre, and calls us back."""

    def __init__(self, *, calls: str = "") -> None:
        """Start it; `calls` is where it brings replies and receipts, in place of the list of calls kept here."""
        bearerbox, smsbox = program("bearerbox", "kannel"), program("smsbox", "kannel")
        fakesmsc = program("fakesmsc", "kannel-extras", ["/usr/lib/kannel/test"])
        self.calls: list[tuple[str, HookCall]] = []
        self._hooks = _Hooks(self)
        self._calls = calls or f"http://127.0.0.1:{self._hooks.server_port}"
        self._processes = Processes("kannel")
        self._port = free_port()
        admin, boxes, self._centre_port = free_port(), free_port(), free_port()
        ports = {
            "admin": admin,
            "boxes": boxes,
            "centre": self._centre_port,
            "send": self._port,
            "calls": self._calls,
        }
        conf = self._processes.folder / "kannel.conf"
        conf.write_text(_CONF.format(**ports))
        self._fakesmsc = fakesmsc
        self._processes.start(bearerbox, str(conf), log="bearerbox.log")
        self._processes.wait(lambda: listens(boxes) and listens(self._centre_port), "the gateway")
        self._processes.start(smsbox, str(conf), log="smsbox.log")
        self._processes.wait(lambda: listens(self._port), "the gateway's door")
        self._log = self._start_centre(20)

    def transport(self, **settings: Any) -> HttpTransport:
        """A transport that was told all about this gateway."""
        section = HttpSection.model_validate(self.section(**settings))
        return HttpTransport(section, folder=Path(), now=lambda: datetime.now(UTC))

    def section(self, **settings: Any) -> dict[str, Any]:
        """The part of a configuration that tells all about this gateway."""
        os.environ[PASSWORD] = "secret"
        return {
            "url": f"http://127.0.0.1:{self._port}/cgi-bin/sendsms",
            "method": "GET",
            "sender": "12025550100",
            "secrets": {"password": {"env": PASSWORD}},
            "query": {
                "username": "practice",
                "password": "{{ secret.password }}",
                "from": "{{ sender }}",
                "to": "{{ to }}",
                "text": "{{ text }}",
                "charset": "UTF-8",
                "coding": "{{ 2 if encoding == 'ucs2' else 0 }}",
                "dlr-mask": "3",
                "dlr-url": self._calls + "/receipts?key={{ key }}&status=%d",
            },
            "answer": {"form": "text", "pattern": r"^(?P<status>\d+):", "accepted": ["0", "3"]},
            "hook_auth": {"addresses": ["127.0.0.1/32"]},
            "reply_hook": REPLIES,
            "receipt_hook": RECEIPTS,
            **settings,
        }

    def arrived(self, count: int) -> list[str]:
        """The texts that the emulated centre got, once there are so many."""
        found: list[str] = []

        def enough() -> bool:
            words = self._log.read_text("utf-8", "replace")
            found[:] = re.findall(r"Got message \d+: <(.*?)>\n", words, re.DOTALL)
            return len(found) >= count

        self._processes.wait(enough, f"message number {count}")
        return found

    def wait_for(self, path: str, count: int) -> list[HookCall]:
        """The calls that came to a path, once there are so many."""

        def calls() -> list[HookCall]:
            return [call for each, call in self.calls if each == path]

        self._processes.wait(lambda: len(calls()) >= count, f"call number {count} to {path}")
        return calls()

    def stop(self) -> None:
        """End it."""
        self._processes.stop()
        self._hooks.shutdown()
        self._hooks.server_close()

    def _start_centre(self, replies: int) -> Path:
        """Start the emulated centre; it lets the invented patient write every two seconds."""
        reply = "+12025550143 12025550100 text Yes, it hurts & bleeds"
        options = ["-H", "127.0.0.1", "-r", str(self._centre_port), "-i", "2", "-m", str(replies)]
        return self._processes.start(self._fakesmsc, *options, reply, log="centre.log")


class _Hooks(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, gateway: KannelGateway) -> None:
        self.gateway = gateway
        super().__init__(("127.0.0.1", 0), _Handler)
        threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True).start()


class _Handler(BaseHTTPRequestHandler):
    server: _Hooks

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        headers = {name.lower(): value for name, value in self.headers.items()}
        query = dict(parse_qsl(parts.query, keep_blank_values=True))
        call = HookCall(headers=headers, query=query, client=str(self.client_address[0]))
        self.server.gateway.calls.append((parts.path, call))
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  the library's name
        pass


_CONF = """\
group = core
admin-port = {admin}
admin-password = secret
admin-deny-ip = "*.*.*.*"
admin-allow-ip = "127.0.0.1"
smsbox-port = {boxes}
box-deny-ip = "*.*.*.*"
box-allow-ip = "127.0.0.1"

group = smsc
smsc = fake
smsc-id = centre
port = {centre}
connect-allow-ip = 127.0.0.1

group = smsbox
bearerbox-host = 127.0.0.1
sendsms-port = {send}
sendsms-interface = 127.0.0.1
http-request-retry = 10
http-queue-delay = 1

group = sendsms-user
username = practice
password = secret
max-messages = 10
concatenation = true

group = sms-service
keyword = default
get-url = "{calls}/replies?from=%p&text=%b&id=%I"
catch-all = yes
max-messages = 0
"""
