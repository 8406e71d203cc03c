"""E-mails a second over SMTP: the transport with one reused connection, and the same mail by the bare library."""

from __future__ import annotations

import multiprocessing
import smtplib
import socketserver
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
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
    plain = _bare(port, count, anew=True)
    yield {"figure": "mails_per_second", "peer": "smtplib, each mail made anew", "value": round(plain)}
    began = time.process_time()
    value = round(count / _measure(port, count))
    cost = round((time.process_time() - began) / count * 1e6)
    ratios = {"ratio": round(value / limit, 2), "ratio_to_made_anew": round(value / plain, 2)}
    yield {"figure": "messages_per_second", "value": value, **ratios, "microseconds_of_processor": cost}
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


def _bare(port: int, count: int, *, anew: bool = False) -> float:
    """Return mails a second by the library's own way; `anew` makes the same two parts for each mail."""
    ready = letter(outgoing(channel="email"), LETTERHEADS, datetime.now(UTC))
    mail = ready.as_bytes()
    plain, html = (ready.get_body((kind,)) for kind in ("plain", "html"))
    parts = [part.get_content() for part in (plain, html) if part is not None]
    with smtplib.SMTP("127.0.0.1", port) as link:
        began = time.perf_counter()
        for _ in range(count):
            if anew:
                mail = _made(parts, ready)
            link.sendmail("aftercare@example.org", ["robin@example.org"], mail)
        return count / (time.perf_counter() - began)


def _made(parts: list[str], like: EmailMessage) -> bytes:
    made = EmailMessage(policy=SMTP)
    for name in ("From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted"):
        made[name] = str(like[name])
    made.set_content(parts[0])
    made.add_alternative(parts[1], subtype="html")
    return made.as_bytes()


def _server(pipe: Connection) -> None:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Conversation) as server:
        pipe.send(server.server_address[1])
        server.serve_forever()


_ANSWERS = {b"EHLO": b"250-here\r\n250 PIPELINING\r\n", b"QUIT": b"221 bye\r\n"}


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
            self.wfile.write(_ANSWERS.get(word, b"250 2.0.0 yes\r\n"))
