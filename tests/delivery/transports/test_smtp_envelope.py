"""Asking in one go: every order of refusals ends with the link ready, and with the answer that counts."""

from __future__ import annotations

import smtplib
import socketserver
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from reminders.delivery.transports.smtp_envelope import ask_to_take

OK, GO = "250 2.0.0 yes", "354 go on"


class _Server(socketserver.ThreadingTCPServer):
    """Says what the test wrote down, and keeps what it heard."""

    daemon_threads = True
    allow_reuse_address = True
    says: list[str]
    extension = "PIPELINING"

    def __init__(self) -> None:
        self.heard: list[str] = []
        super().__init__(("127.0.0.1", 0), _Conversation)


class _Conversation(socketserver.StreamRequestHandler):
    server: _Server

    def handle(self) -> None:
        self.wfile.write(b"220 ready\r\n")
        says = list(self.server.says)
        while line := self.rfile.readline().decode().strip():
            if line.startswith("ehlo"):
                self.wfile.write(f"250-here\r\n250 {self.server.extension}\r\n".encode())
                continue
            self.server.heard.append(line.split(":")[0].upper())
            ends = {"RSET": OK, "QUIT": "221 bye"}
            answer = ends.get(line.upper()) or says.pop(0)
            self.wfile.write(f"{answer}\r\n".encode())
            if answer.startswith("421"):
                return


@pytest.fixture
def server() -> Iterator[_Server]:
    with _Server() as made:
        threading.Thread(target=made.serve_forever, args=(0.05,), daemon=True).start()
        yield made
        made.shutdown()


# RFC 2920 section 3.1: all answers are read, and content asked for in vain is a lone dot
@pytest.mark.parametrize(
    ("says", "code", "heard"),
    [
        pytest.param([OK, OK, GO], 354, ["MAIL FROM", "RCPT TO", "DATA"], id="taken"),
        pytest.param([OK, "550 5.1.1 no", "554 none"], 550, ["MAIL FROM", "RCPT TO", "DATA"], id="nobody"),
        pytest.param(
            [OK, "550 5.1.1 no", GO, "554 none"], 550, ["MAIL FROM", "RCPT TO", "DATA", "."], id="asks-anyway"
        ),
        pytest.param(["451 later", "503 no", "503 no"], 451, ["MAIL FROM", "RCPT TO", "DATA"], id="sender"),
        pytest.param([OK, OK, "452 full"], 452, ["MAIL FROM", "RCPT TO", "DATA"], id="no-content"),
        pytest.param(["421 going down"], 421, ["MAIL FROM"], id="goes-away"),
    ],
)
@pytest.mark.parametrize("extension", ["PIPELINING", "8BITMIME"], ids=["in-one-go", "step-by-step"])
def test_the_first_refusal_counts(
    server: _Server, says: list[str], code: int, heard: list[str], extension: str
) -> None:
    server.says, server.extension = says, extension
    with smtplib.SMTP("127.0.0.1", server.server_address[1], timeout=10) as link:
        link.ehlo()
        found: Any = ask_to_take(link, "aftercare@example.org", "robin@example.org")
        assert found[0] == code
        if code in {354, 421}:
            link.close()
            return
        assert link.rset()[0] == 250
    refused = next(at for at, answer in enumerate(says) if answer[0] not in "23")
    assert server.heard[:-2] == (heard if extension == "PIPELINING" else heard[: refused + 1])  # then RSET and QUIT
