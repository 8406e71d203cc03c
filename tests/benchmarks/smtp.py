"""E-mails a second over SMTP by one connection: the transport, and what the server takes of mails that are ready."""

from __future__ import annotations

import multiprocessing
import smtplib
import socket
import socketserver
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP
from email.policy import default as parsing
from multiprocessing.connection import Connection
from pathlib import Path

from reminders.config_delivery import SmtpSection
from reminders.delivery.outgoing import Accepted, Outgoing
from reminders.delivery.transports.letter import letter
from reminders.delivery.transports.smtp import SmtpTransport
from tests.benchmarks.backlog import Figure
from tests.benchmarks.raw_store import limits_of_batches
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smtp import LETTERHEADS

_DEFAULT = 3_000
_TEXT = """Hello Robin{number},

it is time to **soak the toe**:

- ten minutes in warm water,
- pat it dry,
- a thin layer of ointment and a dry dressing.

It may ooze a little clear or yellowish liquid in these days. Call us when it hurts more each day, when the redness
spreads, or when you have a fever: 212-555-0100.
"""
_SENDER, _RECIPIENT = "aftercare@example.org", "robin@example.org"
_ENVELOPE = f"MAIL FROM:<{_SENDER}>\r\nRCPT TO:<{_RECIPIENT}>\r\nDATA\r\n".encode()


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure the limit, the library with mails that are ready and that it makes, then the transport, which makes them.

    The limit is a bare socket that has the same conversation with the same server about the very same mails, and does
    nothing else. Every mail has a text of its own, as a reminder has.
    """
    count = n or _DEFAULT
    ours, theirs = multiprocessing.Pipe()
    server = multiprocessing.Process(target=_server, args=(theirs,), daemon=True)
    server.start()
    port = ours.recv()
    messages = [outgoing(number, channel="email", markdown=_TEXT.format(number=number)) for number in range(count)]
    ready = [letter(each, LETTERHEADS, datetime.now(UTC)).octets for each in messages]
    limit = _bare_socket(port, ready)
    yield {"figure": "mails_per_second", "peer": "bare socket, mails ready", "value": round(limit)}
    library = _library(port, ready)
    yield {"figure": "mails_per_second", "peer": "smtplib, mails ready", "value": round(library)}
    anew = _library(port, ready, anew=True)
    yield {"figure": "mails_per_second", "peer": "smtplib, mails made by email", "value": round(anew)}
    batch = SmtpTransport.capabilities.batch_size
    of_store = limits_of_batches(url, folder, (batch,))[batch]
    yield {"figure": "raw_store_per_second", "batch": batch, "value": round(of_store)}
    began = time.process_time()
    value = round(count / _measure(port, messages))
    cost = round((time.process_time() - began) / count * 1e6)
    ratios = {
        "ratio_to_socket": round(value / limit, 2),
        "ratio_to_store": round(value / of_store, 2),
        "ratio_to_made_by_library": round(value / anew, 2),
    }
    yield {"figure": "messages_per_second", "value": value, **ratios, "microseconds_of_processor": cost}
    server.terminate()
    server.join()


def _measure(port: int, messages: Sequence[Outgoing]) -> float:
    section = SmtpSection(host="127.0.0.1", port=port, tls="none-on-loopback")
    transport = SmtpTransport(section, folder=Path(), now=lambda: datetime.now(UTC), letterheads=LETTERHEADS)
    began = time.perf_counter()
    results = list(transport.hand_over(messages))
    spent = time.perf_counter() - began
    transport.close()
    if not all(isinstance(each, Accepted) for each in results):
        raise RuntimeError("the server did not accept everything")
    return spent


def _bare_socket(port: int, ready: Sequence[bytes]) -> float:
    """Return mails a second when the envelope goes in one go (RFC 2920) and the content after its answer."""
    with socket.create_connection(("127.0.0.1", port)) as link, link.makefile("rb") as answers:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        answers.readline()
        began = time.perf_counter()
        for mail in ready:
            link.sendall(_ENVELOPE)
            for _ in range(3):
                answers.readline()
            link.sendall(mail + b".\r\n")
            answers.readline()
        return len(ready) / (time.perf_counter() - began)


def _library(port: int, ready: Sequence[bytes], *, anew: bool = False) -> float:
    """Return mails a second by the library's own way; `anew` makes each of the same two parts first."""
    parts = [_parts(each) for each in ready] if anew else []
    like = message_from_bytes(ready[0], policy=parsing)
    with smtplib.SMTP("127.0.0.1", port) as link:
        began = time.perf_counter()
        for at, mail in enumerate(ready):
            link.sendmail(_SENDER, [_RECIPIENT], _made(parts[at], like) if anew else mail)
        return len(ready) / (time.perf_counter() - began)


def _parts(mail: bytes) -> list[str]:
    read = message_from_bytes(mail, policy=parsing)
    found = (read.get_body((kind,)) for kind in ("plain", "html"))
    return [part.get_content() for part in found if part is not None]


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
