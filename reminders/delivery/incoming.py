"""What comes in from outside: a patient's reply, a part of one, and word of what became of a message."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class Arrival(StrEnum):
    """What a receipt says about a message."""

    UNDERWAY = "underway"  # nothing final yet
    DELIVERED = "delivered"  # the patient's device or mailbox has it
    FAILED = "failed"  # it never got there and never will


@dataclass(frozen=True, kw_only=True, slots=True)
class Receipt:
    """Word of what became of one message, or of one segment of it."""

    transport: str
    arrival: Arrival
    ref: str | None = None
    """The other side's name for it, as `Accepted.ref` had it or, of a long message, one word of that."""
    key: str | None = None
    """Our own idempotency key, where the other side gives it back; one of the two is there."""
    detail: str = ""
    """The other side's word for it."""
    bad_address: bool = False
    """Nothing sent to that address will ever arrive."""


@dataclass(frozen=True, kw_only=True, slots=True)
class IncomingReply:
    """What somebody wrote."""

    channel: str
    sender: str
    """E.164 number, or e-mail address; as it came when it can't be read as one."""
    text: str
    gateway_ref: str | None = None
    """The other side's own name for it; the same twice is the same reply."""
    mail: MailFacts | None = None
    """What is known of a mail besides."""
    offer: bytes | None = field(default=None, compare=False)
    """All that was brought of a reply without a name: until the other side hears that we have it, the same again is
    the same reply."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MailFacts:
    """What a mail tells beyond its words."""

    message_id: str | None
    """Its own name, with angle brackets; None when it has none that an answer could repeat."""
    answers: int | None
    """The message of ours that it answers, by our own key; None when it names none."""
    by_machine: bool
    """Whether a program wrote it (RFC 3834)."""
    left_out: str
    """What it held besides `text`: quotes of ours and a signature."""
    signature: str
    """The part of that which signs."""
    attachments: int


@dataclass(frozen=True, kw_only=True, slots=True)
class IncomingPart:
    """One segment of a longer SMS that somebody wrote; the others may come later, over another link."""

    sender: str
    recipient: str
    reference: int
    """The number that the sender's device gave to all segments."""
    total: int
    number: int
    """From 1."""
    data_coding: int
    shift: str | None
    """The single shift table that the segment's header names."""
    octets: bytes
    """The text without the header, one septet per octet or as its coding has it."""


Incoming = Receipt | IncomingReply | IncomingPart
TakeIn = Callable[[Sequence[Incoming]], None]
"""Stores what came in, all of it or nothing; when it raises, the other side is asked to try again later."""
