"""Knows how a message becomes an e-mail: headers, a plain part, an HTML part, and the visit as attachment."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from email.errors import HeaderParseError
from email.headerregistry import Address
from email.message import EmailMessage
from functools import lru_cache
from typing import Literal

from reminders.errors import InputError
from reminders.sentences import english
from reminders.wording.email_body import escape_markdown, html, plain_text
from reminders.wording.email_headers import POLICY

__all__ = ["CalendarPart", "Email", "build", "escape_markdown", "html", "plain_text"]

_MAILBOX = re.compile(r"(?:(?P<name>.*)<)?(?P<spec>[^\s<>@,]{1,64}@[^\s<>@,]{1,255})(?(name)>)")
_ATOM = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,200}")
_URI = re.compile(r"[!-;=?-~]{1,970}")
"""Printable ASCII but for the angle brackets around it; with its field name within 998 octets."""


@dataclass(frozen=True, kw_only=True)
class CalendarPart:
    """A calendar object to attach."""

    content: bytes
    """The iCalendar object in UTF-8."""
    method: Literal["PUBLISH", "REQUEST", "CANCEL"]
    """The METHOD that stands in it; the part's header must say the same (RFC 6047 §2.4, from memory)."""
    filename: str = "visit.ics"


@dataclass(frozen=True, kw_only=True)
class Email:
    """Everything an e-mail is made from."""

    message_id: str
    """Our own name of the message, letters, digits and `.-_`; stands before the sender's domain."""
    sender: str
    """One address, with or without a display name: `Clinic <aftercare@example.org>`."""
    recipient: str
    """One address."""
    subject: str
    body_markdown: str
    """Paragraphs, lists, `**bold**`; values in it went through `email_body.escape_markdown`."""
    language: str
    """Language tag such as `es` or `zh-Hans`."""
    date: datetime
    """When it is handed over; aware."""
    unsubscribe_url: str | None = None
    """https address that ends the messages on a POST (RFC 8058)."""
    unsubscribe_mailto: str | None = None
    """`mailto:` address that does the same by mail (RFC 2369)."""
    in_reply_to: str | None = None
    """Message-ID of the mail that this one answers, with its angle brackets."""
    auto: Literal["auto-generated", "auto-replied"] = "auto-generated"
    """RFC 3834 §5: sent on schedule, or in answer to a mail."""
    reply_to: str | None = None
    calendar: CalendarPart | None = None


def build(email: Email) -> EmailMessage:
    """Return the message, ready for SMTP; the same `email` always gives the same octets.

    InputError, naming the field, for a value that can't stand in its header: line breaks and other control
    characters, an address that is none or has letters outside ASCII, an unsubscribe address that is not
    https or mailto, a date without offset.
    """
    message = EmailMessage(policy=POLICY)
    for name, value in _headers(email):
        message[name] = value
    boundaries = _boundaries(email.message_id, 1 if email.calendar is None else 2)
    try:
        message.set_content(plain_text(email.body_markdown))
        message.make_alternative(boundaries[-1])
        message.add_alternative(html(email.body_markdown, language=email.language, title=email.subject), subtype="html")
    except UnicodeEncodeError:
        raise InputError(english("body: half a surrogate pair is no character")) from None
    if email.calendar is not None:
        message.make_mixed(boundaries[0])
        message.add_attachment(
            email.calendar.content,
            maintype="text",
            subtype="calendar",
            filename=_clean("calendar filename", email.calendar.filename),
            params={"method": email.calendar.method, "charset": "utf-8"},
        )
    message["Content-Language"] = _clean("language", email.language)
    return message


def _headers(email: Email) -> Iterator[tuple[str, str | Address | datetime]]:
    sender = _address("sender", email.sender)
    yield "From", sender
    yield "To", _address("recipient", email.recipient)
    if email.reply_to is not None:
        yield "Reply-To", _address("reply_to", email.reply_to)
    yield "Subject", _clean("subject", email.subject)
    if email.date.tzinfo is None:
        raise InputError(english("date: has no offset from UTC"))
    yield "Date", email.date
    if not _ATOM.fullmatch(email.message_id):
        raise InputError(english("message_id: only letters, digits and .-_ may stand in it"))
    yield "Message-ID", f"<{email.message_id}@{sender.domain}>"
    if email.in_reply_to is not None:
        answered = _clean("in_reply_to", email.in_reply_to)
        if not re.fullmatch(f"<{_URI.pattern}>", answered):
            raise InputError(english("in_reply_to: is no message id in angle brackets"))
        yield "In-Reply-To", answered
        yield "References", answered
    yield "Auto-Submitted", email.auto
    yield from _unsubscribe_headers(email.unsubscribe_url, email.unsubscribe_mailto)


def _unsubscribe_headers(url: str | None, mailto: str | None) -> Iterator[tuple[str, str]]:
    addresses = []
    for field, address, scheme in (("unsubscribe_url", url, "https://"), ("unsubscribe_mailto", mailto, "mailto:")):
        if address is None:
            continue
        if not address.startswith(scheme) or not _URI.fullmatch(address):
            raise InputError(
                english("{field}: must be one {scheme} address in ASCII").format(field=field, scheme=scheme)
            )
        addresses.append(f"<{address}>")
    if addresses:
        yield "List-Unsubscribe", ", ".join(addresses)
    if url is not None:
        yield "List-Unsubscribe-Post", "List-Unsubscribe=One-Click"


def _clean(field: str, value: str) -> str:
    """Return `value` unless it holds a control character, a line break of any kind or half a pair.

    A line break would let a value write headers of its own (RFC 5322 §2.2).
    """
    if any(unicodedata.category(char) in {"Cc", "Zl", "Zp", "Cs"} for char in value):
        raise InputError(
            english("{field}: a line break or control character can't stand in a header").format(field=field)
        )
    return value


@lru_cache(maxsize=256)
def _address(field: str, value: str) -> Address:
    parts = _MAILBOX.fullmatch(_clean(field, value))
    if parts is None or not parts["spec"].isascii():
        # A domain in other letters has an ASCII form, xn--…; other letters before the @ need a server
        # that takes them (RFC 6531), and few do.
        raise InputError(english("{field}: is not one e-mail address in ASCII letters").format(field=field))
    name = (parts["name"] or "").strip()
    if len(name) > 1 and name.startswith('"') and name.endswith('"'):
        name = re.sub(r"\\(.)", r"\1", name[1:-1])
    try:
        return Address(name, addr_spec=parts["spec"])
    except (HeaderParseError, ValueError):
        raise InputError(english("{field}: is not one e-mail address in ASCII letters").format(field=field)) from None


def _boundaries(message_id: str, count: int) -> tuple[str, ...]:
    """Return what parts the parts, from the outermost: drawn by lot, a message built again would differ."""
    digest = hashlib.sha256(message_id.encode()).hexdigest()[:32]
    return tuple(f"={digest}={at}" for at in range(count))
