"""A mail server in this process (aiosmtpd), for the answers that a real one can't be made to give."""

from __future__ import annotations

import asyncio
import email
import email.policy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from reminders.config_delivery import SmtpSection
from reminders.delivery.transports.letter import Letterhead
from reminders.delivery.transports.smtp import SmtpTransport
from tests.delivery.peers.peer import BAD, Behaviour, Taken
from tests.waiting import free_port

LETTERHEADS = {"main": Letterhead(sender="Example Practice <aftercare@example.org>")}


class SmtpPeer:
    """Answers as told."""

    def __init__(self, **settings: Any) -> None:
        self.behaviour = Behaviour.ACCEPT
        self.taken: list[Taken] = []
        self.most_at_once = 1
        self.connections = 0
        self._port = free_port()
        self._controller: Controller | None = None
        self.come_back()
        section = SmtpSection.model_validate(
            {"host": "127.0.0.1", "port": self._port, "tls": "none-on-loopback", "timeout_seconds": 5, **settings}
        )
        self.transport = SmtpTransport(section, folder=Path(), now=lambda: datetime.now(UTC), letterheads=LETTERHEADS)

    def go_away(self) -> None:
        assert self._controller is not None
        self._controller.stop()
        self._controller = None

    def come_back(self) -> None:
        self._controller = Controller(_Handler(self), hostname="127.0.0.1", port=self._port)
        self._controller.start()

    def close(self) -> None:
        self.transport.close()
        if self._controller is not None:
            self.go_away()


class _Handler:
    def __init__(self, peer: SmtpPeer) -> None:
        self._peer = peer

    async def handle_EHLO(  # noqa: N802  the library's name
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        self._peer.connections += 1
        return responses

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address == BAD["email"]:
            return f"550 5.1.1 <{address}>: no such user here"
        if self._peer.behaviour is Behaviour.THROTTLE:
            self._peer.behaviour = Behaviour.ACCEPT
            return "450 4.7.0 too many messages, slow down"
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        peer = self._peer
        if peer.behaviour is Behaviour.REFUSE:
            return "554 5.7.1 we do not want that"
        mail = email.message_from_bytes(envelope.original_content or b"", policy=email.policy.default)
        body = mail.get_body(("plain",))
        peer.taken.append(Taken(envelope.rcpt_tos[0], body.get_content().strip() if body else ""))
        if peer.behaviour is Behaviour.CUT:
            peer.behaviour = Behaviour.ACCEPT
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
        return "250 2.0.0 taken"
