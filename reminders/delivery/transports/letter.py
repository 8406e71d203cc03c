"""Makes the e-mail of one message: who it is from, where answers go, how to end such mails, and the visit to keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import parseaddr

from reminders.delivery.outgoing import Outgoing, VisitToTell
from reminders.errors import InputError, Refused, Unreachable
from reminders.exchange.icalendar import Visit, cancelled, published
from reminders.sentences import english
from reminders.wording.email import CalendarPart, Email, build, mailbox
from reminders.wording.links import unsubscribe_mailto


@dataclass(frozen=True, kw_only=True)
class Letterhead:
    """What one practice's e-mails have in common."""

    sender: str
    """Its address, with or without a name."""
    reply_to: str = ""
    """Where replies go, if elsewhere. Where `{key}` stands in it, the message's key does (`desk+{key}@example.org`)."""
    practice_name: str = ""
    """What a visit is called in a calendar: nothing else may be told on a screen that others see."""
    unsubscribe_url: Callable[[int], str | None] = lambda _: None
    """By a message's id, the https address at which a mail program ends such mails by one click; None for none."""
    visit_length: timedelta = timedelta(minutes=30)


@dataclass(frozen=True, kw_only=True, slots=True)
class Letter:
    """An e-mail, ready to be handed over."""

    octets: bytes
    recipient: str
    """The bare address, as `replies_to`."""
    replies_to: str


def letter(message: Outgoing, letterheads: Mapping[str, Letterhead], at: datetime) -> Letter:
    """Return the e-mail, with the message's idempotency key in its Message-ID: the same for every try.

    `letterheads` are the practices' by id. Mails to patients say how to end them (RFC 2369, RFC 8058).
    Unreachable when the practice has no address to send from yet; Refused when the message can't be an e-mail.
    """
    try:
        head = letterheads[message.practice_id]
    except KeyError:
        raise Unreachable(
            english("practice {practice_id} has no e-mail address to send from").format(practice_id=message.practice_id)
        ) from None
    reply_to = head.reply_to.replace("{key}", message.idempotency_key) or None
    try:
        replies_to = mailbox("reply_to", reply_to or head.sender).addr_spec
        octets = build(
            Email(
                message_id=message.idempotency_key,
                sender=head.sender,
                recipient=message.address,
                subject=message.subject or "",
                body_markdown=message.markdown or message.text,
                language=message.language,
                date=at,
                in_reply_to=message.in_reply_to,
                auto="auto-replied" if message.answers else "auto-generated",
                reply_to=reply_to,
                unsubscribe_url=None if message.to_staff else head.unsubscribe_url(message.id),
                unsubscribe_mailto=None if message.to_staff else unsubscribe_mailto(replies_to),
                calendar=_calendar(message.visit, head) if message.visit else None,
            )
        )
        return Letter(octets=octets, recipient=mailbox("recipient", message.address).addr_spec, replies_to=replies_to)
    except InputError as error:
        raise Refused(str(error)) from error


def visit_in_calendar(told: VisitToTell, head: Letterhead) -> Visit:
    """Return a visit as the practice's calendar entries have it."""
    address = parseaddr(head.sender)[1]
    return Visit(
        uid=f"{told.name}@{address.rpartition('@')[2]}",
        sequence=told.sequence,
        stamped_at=told.changed_at,
        starts_at=told.starts_at,
        duration=head.visit_length,
        zone=told.zone,
        organizer=address,
        summary=head.practice_name or address,
    )


def _calendar(told: VisitToTell, head: Letterhead) -> CalendarPart:
    visit = visit_in_calendar(told, head)
    if told.is_cancelled:
        return CalendarPart(content=cancelled(visit), method="CANCEL")
    return CalendarPart(content=published(visit), method="PUBLISH")
