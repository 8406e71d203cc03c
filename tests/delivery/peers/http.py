"""An SMS gateway in this process, for answers that a well-behaved one never gives."""

from __future__ import annotations

import json
import socket
import threading
import time
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from reminders.config_delivery import HttpSection
from reminders.delivery.transports.http import HttpTransport
from tests.delivery.peers.peer import BAD, Behaviour, Taken, shut
from tests.waiting import free_port

SETTINGS: dict[str, Any] = {
    "json_body": '{"messages": [{"to": {{ to }}, "body": {{ text }}}]}',
    "idempotency_header": "Idempotency-Key",
    "connect_seconds": 3,
    "answer_seconds": 3,
    "answer": {
        "id": "messages.0.id",
        "status": "messages.0.state",
        "accepted": ["queued"],
        "refused": ["not wanted"],
        "bad_address": ["no such number"],
    },
}


class HttpPeer:
    """Answers as told; knows a message again by its key."""

    def __init__(self, **settings: Any) -> None:
        self.behaviour = Behaviour.ACCEPT
        self.taken: list[Taken] = []
        self.most_at_once = 0
        self.at_once = 0
        self.retry_after = "1"
        self.answer: tuple[int, bytes] | None = None
        """When it is set, every request gets it."""
        self.requests: list[tuple[str, str, dict[str, str], bytes]] = []
        """Method, path, headers with names in lower case, body."""
        self.lock = threading.Lock()
        self.ids: dict[str, str] = {}
        self._port = free_port()
        self._server: _Server | None = None
        self.come_back()
        base = f"http://127.0.0.1:{self._port}"
        asked = {"url": base + "/messages/{{ key }}", "id": "id", "status": "state", "went_out": ["queued"]}
        values = {**SETTINGS, "url": base + "/messages", "status_query": asked, **settings}
        self.transport = HttpTransport(HttpSection.model_validate(values), folder=Path(), now=lambda: datetime.now(UTC))

    def go_away(self) -> None:
        assert self._server is not None
        self._server.stop()
        self._server = None

    def come_back(self) -> None:
        self._server = _Server(self, self._port)

    def close(self) -> None:
        self.transport.close()
        if self._server is not None:
            self.go_away()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, peer: HttpPeer, port: int) -> None:
        self.peer = peer
        self.open: set[socket.socket] = set()
        super().__init__(("127.0.0.1", port), _Handler)
        self._thread = threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self.shutdown()
        self.server_close()
        for connection in list(self.open):
            shut(connection)
        self._thread.join()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server

    def setup(self) -> None:
        super().setup()
        self.server.open.add(self.connection)

    def finish(self) -> None:
        self.server.open.discard(self.connection)
        super().finish()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  the library's name
        pass

    def do_POST(self) -> None:
        peer = self.server.peer
        with peer.lock:
            peer.at_once += 1
            peer.most_at_once = max(peer.most_at_once, peer.at_once)
        try:
            self._answer_post(peer)
        finally:
            with peer.lock:
                peer.at_once -= 1

    def do_GET(self) -> None:
        peer = self.server.peer
        peer.requests.append(("GET", self.path, {name.lower(): value for name, value in self.headers.items()}, b""))
        if peer.answer is not None:
            self._send(peer.answer[0], peer.answer[1])
            return
        found = peer.ids.get(self.path.rpartition("/")[2])
        self._send(200, {"id": found, "state": "queued"}) if found else self._send(404, {})

    def _answer_post(self, peer: HttpPeer) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        headers = {name.lower(): value for name, value in self.headers.items()}
        with peer.lock:
            peer.requests.append(("POST", self.path, headers, body))
            behaviour = peer.behaviour
            if behaviour in {Behaviour.THROTTLE, Behaviour.CUT}:
                peer.behaviour = Behaviour.ACCEPT
        if peer.answer is not None:
            self._send(*peer.answer)
            return
        if behaviour is Behaviour.THROTTLE:
            self._send(429, {}, {"Retry-After": peer.retry_after})
            return
        message = json.loads(body)["messages"][0]
        if message["to"] == BAD["sms"]:
            self._send(200, {"messages": [{"state": "no such number"}]})
        elif behaviour is Behaviour.REFUSE:
            self._send(200, {"messages": [{"state": "not wanted"}]})
        else:
            with peer.lock:
                key = headers["idempotency-key"]
                if key not in peer.ids:
                    peer.taken.append(Taken(message["to"], message["body"]))
                number = peer.ids.setdefault(key, f"m{len(peer.ids) + 1}")
            time.sleep(0.02)
            if behaviour is Behaviour.CUT:
                shut(self.connection)
                self.close_connection = True
                return
            self._send(202, {"messages": [{"id": number, "state": "queued"}]})

    def _send(self, code: int, value: object, headers: dict[str, str] | None = None) -> None:
        body = value if isinstance(value, bytes) else json.dumps(value).encode()
        self.send_response(code)
        for name, text in {**(headers or {}), "Content-Length": str(len(body))}.items():
            self.send_header(name, text)
        self.end_headers()
        self.wfile.write(body)
