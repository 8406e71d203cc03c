"""What a transport is given, what it can do, and what it may answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from sqlalchemy.orm import Session

from reminders.errors import InDoubt, Refused, Unreachable


@dataclass(frozen=True, kw_only=True, slots=True)
class VisitToTell:
    """The state of a visit that an e-mail puts into the patient's calendar."""

    name: str
    """Of the visit in every calendar, before the practice's domain: the same from first notice to cancellation."""
    starts_at: datetime
    """Of a visit called off, when it would have been."""
    sequence: int
    changed_at: datetime
    is_cancelled: bool
    zone: str
    """IANA name of the patient's zone."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Outgoing:
    """One message as it is handed over."""

    id: int
    idempotency_key: str
    """The same for every try of this message and of no other, in this database or another."""
    practice_id: str
    channel: str
    address: str
    """E.164 number, or e-mail address."""
    language: str
    text: str
    subject: str | None
    """Of e-mail only, as `markdown`."""
    markdown: str | None
    encoding: str | None
    """Of SMS only: gsm7 or ucs2."""
    segments: int
    answers: bool
    """Whether it answers a reply, rather than being sent on schedule."""
    in_reply_to: str | None = None
    """Of e-mail only: the Message-ID of the mail that it answers."""
    to_staff: bool = False
    """Whether it goes to the practice's own people."""
    visit: VisitToTell | None = None
    """Of e-mail only: what to tell the patient's calendar."""


@dataclass(frozen=True, kw_only=True)
class Capabilities:
    """What a transport can do; shown by a command, and followed by the dispatcher."""

    channels: frozenset[str]
    batch_size: int
    """Messages in flight at once, and so the most that are in doubt after a crash."""
    receipts: bool
    """Whether it tells later that a message was delivered."""
    idempotency_key: bool
    """Whether the other side drops a second message under the same key."""
    status_query: bool
    """Whether `look_up` can tell what went out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Accepted:
    """The other side took the message."""

    ref: str
    """Its name for the message, which receipts come under."""


Result = Accepted | Refused | Unreachable | InDoubt
"""How one hand-over ended. The errors are returned, not raised: the rest of the batch goes on."""


class OtherWay(Protocol):
    """Says a message by the patient's other channel, if it may, within the transaction; tells whether it did."""

    def __call__(self, session: Session, message_id: int, *, surely: bool) -> bool:
        """`surely` says that the message is known not to have arrived."""


def no_other_way(session: Session, message_id: int, *, surely: bool) -> bool:  # noqa: ARG001  as `OtherWay`
    """Say that there is no other channel."""
    return False


@dataclass(frozen=True, kw_only=True)
class LookUp:
    """What a transport knows about earlier hand-overs; a key in neither is one it can't tell about."""

    went_out: Mapping[str, str] = field(default_factory=dict)
    """Idempotency key → the other side's reference."""
    absent: frozenset[str] = frozenset()
    """Surely never handed over."""
