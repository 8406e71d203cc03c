"""E-mails a second over SMTP: the transport with one reused connection, and the same mail by the bare library."""

from __future__ import annotations

import multiprocessing
import smtplib
import socketserver
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from reminders.config_delivery import SmtpSection
from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports.letter import letter
from reminders.delivery.transports.smtp import SmtpTransport
from tests.benchmarks.backlog import Figure
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smtp import LETTERHEADS

_DEFAULT = 3_000


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure the library with one ready mail, then the transport, which makes each mail anew."""
    count = n or _DEFAULT
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.Process(target=_server, args=(theirs,), daemon=True)
    server.start()
    port = ours.recv()
    limit = _bare(port, count)
    yield {"figure": "mails_per_second", "peer": "smtplib with one ready mail", "value": round(limit)}
    value = round(count / _measure(port, count))
    yield {"figure": "messages_per_second", "value": value, "ratio": round(value / limit, 2)}
    server.terminate()
    server.join()


def _measure(port: int, count: int) -> float:
    section = SmtpSection(host="127.0.0.1", port=port, tls="none-on-loopback")
    transport = SmtpTransport(section, folder=Path(), now=lambda: datetime.now(UTC), letterheads=LETTERHEADS)
    began = time.perf_counter()
    results = list(transport.hand_over(outgoing(number, channel="email") for number in range(count)))
    spent = time.perf_counter() - began
    transport.close()
    if not all(isinstance(each, Accepted) for each in results):
        raise RuntimeError("the server did not accept everything")
    return spent


def _bare(port: int, count: int) -> float:
    mail = letter(outgoing(channel="email"), LETTERHEADS, datetime.now(UTC)).as_bytes()
    with smtplib.SMTP("127.0.0.1", port) as link:
        began = time.perf_counter()
        for _ in range(count):
            link.sendmail("aftercare@example.org", ["robin@example.org"], mail)
        return count / (time.perf_counter() - began)


def _server(pipe: Connection) -> None:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Conversation) as server:
        pipe.send(server.server_address[1])
        server.serve_forever()


class _Conversation(socketserver.StreamRequestHandler):
    """The least that is a mail server; in a process of its own, as it must not share the interpreter measured."""

    disable_nagle_algorithm = True

    def handle(self) -> None:
        """Say yes to everything."""
        self.wfile.write(b"220 ready\r\n")
        while line := self.rfile.readline():
            word = line[:4].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                while self.rfile.readline() != b".\r\n":
                    pass
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 2.0.0 yes\r\n")
