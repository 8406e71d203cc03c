"""What the shared tests want of the other side of a transport, and builders of messages."""

from __future__ import annotations

import socket
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

from reminders.delivery.outgoing import Outgoing
from reminders.delivery.transports import Transport
from tests.stored import PHONE

TO = {"sms": "+12025550143", "email": "robin@example.org"}
BAD = {"sms": "+12025550199", "email": "gone@example.org"}
"""Addresses that the other side says do not exist."""


class Behaviour(StrEnum):
    """How the other side takes the next messages."""

    ACCEPT = "accept"
    REFUSE = "refuse"
    THROTTLE = "throttle"
    """Says once that we are too fast, then accepts."""
    CUT = "cut"
    """Takes one message whole and breaks the connection in place of an answer, then accepts."""


@dataclass(frozen=True)
class Taken:
    """A message that the other side has."""

    address: str
    text: str


class Peer(Protocol):
    """A real server on loopback, and the transport that talks to it."""

    behaviour: Behaviour

    @property
    def transport(self) -> Transport:
        """What is tested."""

    @property
    def taken(self) -> Sequence[Taken]:
        """What arrived."""

    @property
    def most_at_once(self) -> int:
        """The most messages that were under way at the same time."""

    def go_away(self) -> None:
        """Stop to listen and close what is open."""

    def come_back(self) -> None:
        """Listen again, at the same place."""

    def close(self) -> None:
        """End the transport and the server."""


def outgoing(number: int = 1, *, channel: str = "sms", **changes: object) -> Outgoing:
    """A message to the invented patient."""
    message = Outgoing(
        id=number,
        idempotency_key=f"invented-{number}",
        practice_id="main",
        channel=channel,
        address=TO[channel],
        language="en",
        text="Soak the toe for ten minutes, then pat it dry.",
        subject="Soak" if channel == "email" else None,
        markdown="Soak the toe for ten minutes, then pat it dry." if channel == "email" else None,
        encoding="gsm7" if channel == "sms" else None,
        segments=1,
        answers=False,
    )
    return replace(message, **changes)  # type: ignore[arg-type]


def sms(number: int = 1, text: str = "Soak the toe.") -> Outgoing:
    """An SMS by its key."""
    return outgoing(number, idempotency_key=f"abc-{number}", address=PHONE, text=text)


def email(number: int = 1, subject: str = "Your toe") -> Outgoing:
    """An e-mail by its key."""
    return outgoing(
        number,
        channel="email",
        idempotency_key=f"abc-{number}",
        subject=subject,
        text="Soak the toe.",
        markdown="Soak the **toe**.",
        segments=0,
    )


def shut(connection: socket.socket) -> None:
    """End a connection, whether or not the other side has done so already."""
    try:
        connection.shutdown(socket.SHUT_RDWR)
    except OSError:
        return
