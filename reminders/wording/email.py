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
from email.utils import format_datetime
from functools import lru_cache
from typing import Literal

from reminders.errors import InputError
from reminders.sentences import english
from reminders.wording.email_body import escape_markdown, html, plain_text
from reminders.wording.email_headers import address_field, field, text_field
from reminders.wording.email_parts import calendar_part, multipart, text_part

__all__ = ["CalendarPart", "Email", "build", "escape_markdown", "html", "mailbox", "plain_text"]

_MAILBOX = re.compile(r"(?:(?P<name>.*)<)?(?P<spec>[^\s<>@,]{1,64}@[^\s<>@,]{1,255})(?(name)>)")
_ATOM = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,200}")
_URI = re.compile(r"[!-;=?-~]{1,970}")
"""Printable ASCII but for the angle brackets around it; with its field name within 998 octets."""
_ANSWERED = re.compile(f"<{_URI.pattern}>")
_WORD = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_USUAL = re.compile(rf"{_WORD}(\.{_WORD})*@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
"""An address without quotes, comments or brackets (RFC 5322 section 3.4.1), which the library need not read."""
_TAG = re.compile("[A-Za-z0-9-]{1,60}")


@dataclass(frozen=True, kw_only=True)
class CalendarPart:
    """A calendar object to attach."""

    content: bytes
    """The iCalendar object in UTF-8."""
    method: Literal["PUBLISH", "REQUEST", "CANCEL"]
    """The METHOD that stands in it."""


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


def build(email: Email) -> bytes:
    """Return the message as it goes over the line, but for dots at the beginning of lines; the same each time.

    InputError, naming the field, for a value that can't stand in its header: line breaks and other control
    characters, an address that is none or has letters outside ASCII, an unsubscribe address that is not
    https or mailto, a date without offset.
    """
    header = "".join(_header(email))
    page = html(email.body_markdown, language=email.language, title=email.subject, preview=email.subject)
    outer, inner = _boundaries(email.message_id)
    try:
        content = multipart(
            "alternative", inner, (text_part("plain", plain_text(email.body_markdown)), text_part("html", page))
        )
    except UnicodeEncodeError:
        raise InputError(english("body: half a surrogate pair is no character")) from None
    if email.calendar is not None:
        visit = calendar_part(email.calendar.content, email.calendar.method)
        content = multipart("mixed", outer, (content, visit))
    return header.encode("ascii") + content


@lru_cache(maxsize=256)
def mailbox(name: str, value: str) -> Address:
    """Return the address that a value is, with or without the name it is shown by; InputError, naming it, otherwise."""
    parts = _MAILBOX.fullmatch(_clean(name, value))
    if parts is None or not parts["spec"].isascii():
        # A domain in other letters has an ASCII form, xn--…; other letters before the @ need a server
        # that takes them (RFC 6531), and few do.
        raise InputError(english("{field}: is not one e-mail address in ASCII letters").format(field=name))
    shown = (parts["name"] or "").strip()
    if len(shown) > 1 and shown.startswith('"') and shown.endswith('"'):
        shown = re.sub(r"\\(.)", r"\1", shown[1:-1])
    if _USUAL.fullmatch(parts["spec"]):
        user, _, domain = parts["spec"].partition("@")
        return Address(shown, user, domain)
    try:
        return Address(shown, addr_spec=parts["spec"])
    except (HeaderParseError, ValueError):
        raise InputError(english("{field}: is not one e-mail address in ASCII letters").format(field=name)) from None


def _header(email: Email) -> Iterator[str]:
    sender = mailbox("sender", email.sender)
    yield address_field("From", sender)
    yield address_field("To", mailbox("recipient", email.recipient))
    if email.reply_to is not None:
        yield address_field("Reply-To", mailbox("reply_to", email.reply_to))
    yield text_field("Subject", _clean("subject", email.subject))
    if email.date.tzinfo is None:
        raise InputError(english("date: has no offset from UTC"))
    yield field("Date", format_datetime(email.date))
    if not _ATOM.fullmatch(email.message_id):
        raise InputError(english("message_id: only letters, digits and .-_ may stand in it"))
    yield field("Message-ID", f"<{email.message_id}@{sender.domain}>")
    if email.in_reply_to is not None:
        answered = _clean("in_reply_to", email.in_reply_to)
        if not _ANSWERED.fullmatch(answered):
            raise InputError(english("in_reply_to: is no message id in angle brackets"))
        yield field("In-Reply-To", answered)
        yield field("References", answered)
    yield field("Auto-Submitted", email.auto)
    yield from _unsubscribe_headers(email.unsubscribe_url, email.unsubscribe_mailto)
    yield field("Content-Language", _language(email.language))
    yield field("MIME-Version", "1.0")


def _language(tag: str) -> str:
    if not _TAG.fullmatch(tag):
        raise InputError(english("language: {language!r} is not a known language tag").format(language=tag))
    return tag


def _unsubscribe_headers(url: str | None, mailto: str | None) -> Iterator[str]:
    addresses = []
    for name, address, scheme in (("unsubscribe_url", url, "https://"), ("unsubscribe_mailto", mailto, "mailto:")):
        if address is None:
            continue
        if not address.startswith(scheme) or not _URI.fullmatch(address):
            raise InputError(
                english("{field}: must be one {scheme} address in ASCII").format(field=name, scheme=scheme)
            )
        addresses.append(f"<{address}>")
    if addresses:
        yield field("List-Unsubscribe", ", ".join(addresses))
    if url is not None:
        yield field("List-Unsubscribe-Post", "List-Unsubscribe=One-Click")


def _clean(name: str, value: str) -> str:
    """Return `value` unless it holds a control character, a line break of any kind or half a pair.

    A line break would let a value write headers of its own (RFC 5322 §2.2).
    """
    # what can be printed has none of them; asking that takes no time
    if not value.isprintable() and any(unicodedata.category(char) in {"Cc", "Zl", "Zp", "Cs"} for char in value):
        raise InputError(
            english("{field}: a line break or control character can't stand in a header").format(field=name)
        )
    return value


def _boundaries(message_id: str) -> tuple[str, str]:
    """Return what parts the outer and the inner parts: drawn by lot, a message built again would differ."""
    digest = hashlib.sha256(message_id.encode()).hexdigest()[:32]
    return f"={digest}=0", f"={digest}=1"
