"""Reads a mail as it came (RFC 5322): who wrote, what it answers, what it says, whether a program wrote it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from email import message_from_bytes
from email.errors import MessageError
from email.header import decode_header, make_header
from email.message import Message
from email.utils import getaddresses

from reminders.exchange.mail_machine import Returned, machine_reason, returned_in
from reminders.exchange.mail_words import words_of

LONGEST_TEXT = 100_000
"""Characters that are looked at; what comes after them is a quote, or nobody's words."""
_MESSAGE_ID = re.compile(r"<[!-;=?-~]{1,970}>")
_RECIPIENTS = ("To", "Cc", "Delivered-To", "X-Original-To", "Envelope-To")


@dataclass(frozen=True, kw_only=True)
class Mail:
    """What a mail tells."""

    sender: str
    """The address alone, in small letters; empty when the mail names none."""
    recipients: tuple[str, ...]
    """Every address it was sent to or arrived under, in small letters."""
    message_id: str | None
    """With its angle brackets; None when it has none that another header could repeat."""
    answers: tuple[str, ...]
    """The Message-IDs of the mails that it answers: In-Reply-To, then References from the newest on."""
    subject: str
    text: str
    """Everything it says, quotes and signature included."""
    attachments: int
    machine: str
    """Why a program must have written it (RFC 3834); empty when a person may have."""
    returned: Returned | None
    """What it says about a mail of ours that did not, or not yet, arrive (RFC 3464)."""


def read_mail(octets: bytes) -> Mail:
    """Return what a mail tells; never raises, whatever the octets are."""
    mail = message_from_bytes(octets)
    words = words_of(mail)
    senders = _addresses(mail, "From") or _addresses(mail, "Sender") or _addresses(mail, "Reply-To")
    sender = senders[0] if senders else ""
    ids = _ids(mail, "Message-ID")
    references = _ids(mail, "References")
    subject = " ".join(_header(mail, "Subject").split())
    return Mail(
        sender=sender,
        recipients=tuple(dict.fromkeys(each for name in _RECIPIENTS for each in _addresses(mail, name))),
        message_id=ids[0] if ids else None,
        answers=tuple(dict.fromkeys((*_ids(mail, "In-Reply-To"), *reversed(references)))),
        subject=subject,
        text=words.text[:LONGEST_TEXT],
        attachments=words.attachments,
        machine=machine_reason(mail, sender, subject),
        returned=returned_in(mail, sender, words.text),
    )


def _addresses(mail: Message, name: str) -> list[str]:
    try:
        found = [address.strip().lower() for _, address in getaddresses(_all(mail, name))]
    except RecursionError:  # brackets without end
        return []
    return [each for each in found if re.fullmatch(r"[^\s<>@]+@[^\s<>@]+", each)]


def _ids(mail: Message, name: str) -> list[str]:
    return [found for each in _all(mail, name) for found in _MESSAGE_ID.findall(each)]


def _header(mail: Message, name: str) -> str:
    value = next(iter(_all(mail, name)), "")
    try:
        return str(make_header(decode_header(value)))
    except (LookupError, ValueError, MessageError):  # an unknown charset, one that is none, or no encoded words
        return value


def _all(mail: Message, name: str) -> list[str]:
    """Return every field of a name as text; octets in it are UTF-8 (RFC 6532), or become marks."""
    values = (str(value) for each, value in mail.raw_items() if each.lower() == name.lower())
    return [value.encode("utf-8", "surrogateescape").decode("utf-8", "replace") for value in values]
