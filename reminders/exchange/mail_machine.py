"""Tells mails that a program wrote: automatic answers and lists (RFC 3834), and reports of what did not arrive."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from email.message import Message
from enum import StrEnum
from unicodedata import normalize

_BY_A_PERSON = re.compile(r"no\b", re.IGNORECASE)
_PRECEDENCE = {"bulk", "junk", "list", "auto_reply", "auto-reply"}
_LIST_HEADERS = ("List-Id", "List-Post", "List-Unsubscribe", "X-Autoreply", "X-Autorespond", "X-Autoresponder")
_MACHINES = re.compile(r"(mailer-daemon|postmaster|no-?reply|do-?not-?reply|bounces?)(\W.*)?", re.IGNORECASE)
_POSTMASTERS = re.compile(r"(mailer-daemon|postmaster)@", re.IGNORECASE)
_SUBJECTS = re.compile(
    r"(automatic reply|auto(mated)?[ -]?reply|auto(matic)? response|out of (the )?office"
    r"|respuesta autom[áa]tica|auto-?respuesta|fuera de (la )?oficina"
    r"|réponse automatique|automatische antwort|abwesenheitsnotiz)\b",
    re.IGNORECASE,
)
_STATUS = re.compile(r"(?<![\d.])([245]\.\d{1,3}\.\d{1,3})(?![\d.])")
_STILL_TRYING = re.compile(r"\b(delayed|warning|not yet been delivered)\b", re.IGNORECASE)
_MESSAGE_ID = re.compile(r"<[!-;=?-~]{1,970}>")


class Fate(StrEnum):
    """What a report says about a mail (RFC 3464 section 2.3.3)."""

    FAILED = "failed"  # it will never arrive
    DELAYED = "delayed"  # it did not arrive yet; the server goes on trying
    DELIVERED = "delivered"  # it arrived


_SUREST = (Fate.DELIVERED, Fate.FAILED, Fate.DELAYED)


@dataclass(frozen=True, kw_only=True)
class Returned:
    """What a mail server says about a mail that it was given."""

    fate: Fate
    status: str
    """The enhanced code (RFC 3463) such as `5.1.1`; empty when it names none."""
    message_ids: tuple[str, ...]
    """Names that may be those of the mail meant, with angle brackets, the surest first."""


def machine_reason(mail: Message, sender: str, subject: str) -> str:
    """Return why a program must have written a mail (RFC 3834 sections 2 and 5); empty when a person may have."""
    signs = {
        "Auto-Submitted": not _BY_A_PERSON.match(str(mail.get("Auto-Submitted", "no")).strip()),
        "empty Return-Path": str(mail.get("Return-Path", "")).strip() == "<>",
        "multipart/report": mail.get_content_type() == "multipart/report",
        "Precedence": str(mail.get("Precedence", "")).strip().lower() in _PRECEDENCE,
        **{name: name in mail for name in _LIST_HEADERS},
        "sender": _MACHINES.fullmatch(sender.partition("@")[0]) is not None,
        "Subject": _SUBJECTS.match(normalize("NFC", subject)) is not None,  # some say so nowhere else
    }
    return next((name for name, is_there in signs.items() if is_there), "")


def returned_in(mail: Message, sender: str, text: str) -> Returned | None:
    """Return what a mail reports about another one; None when it is no report.

    A report in the standard form names the mail in its last part; where several mailboxes stand behind the address,
    one that got the mail is enough. A report in no form is believed when a mail server's own mailbox sends it, or when
    it has an empty return path and a code.
    """
    returned = _returned_ids(mail, text)
    answered = _ids_in(str(mail.get(name, "")) for name in ("In-Reply-To", "References"))
    ids = tuple(dict.fromkeys((*returned, *answered)))
    blocks = [each for part in _parts(mail, "message/delivery-status") for each in _messages(part)]
    if mail.get_content_type() == "multipart/report" and any("Action" in each for each in blocks):
        said = [one for each in blocks if (one := _fate(each)) is not None]
        found = min(said, key=lambda one: _SUREST.index(one[0]), default=None)
        return None if found is None else Returned(fate=found[0], status=found[1], message_ids=ids)
    status = next(iter(_STATUS.findall(text)), "")
    by_machine = str(mail.get("Return-Path", "")).strip() == "<>"
    if not (by_machine and status) and not (_POSTMASTERS.match(sender) and (by_machine or status or returned)):
        return None
    waits = status.startswith("4") or (not status and _STILL_TRYING.search(f"{mail.get('Subject', '')}\n{text}"))
    return Returned(fate=Fate.DELAYED if waits else Fate.FAILED, status=status, message_ids=ids)


def _fate(block: Message) -> tuple[Fate, str] | None:
    action = str(block.get("Action", "")).strip().lower()
    found = _STATUS.search(f"{block.get('Status', '')} {block.get('Diagnostic-Code', '')}")
    status = found[1] if found else ""
    if action == "failed":
        return Fate.FAILED, status
    if action == "delayed":
        return Fate.DELAYED, status
    # Relayed and expanded say that somebody else has it now, who may report again.
    return (Fate.DELIVERED, status) if action == "delivered" else None


def _returned_ids(mail: Message, text: str) -> tuple[str, ...]:
    """Give the names of mails that are in this one, whole or in part."""
    found: list[str] = []
    for part in (*_parts(mail, "message/rfc822"), *_parts(mail, "message/global")):
        found += [str(each.get("Message-ID", "")) for each in _messages(part)]
    for part in (*_parts(mail, "text/rfc822-headers"), *_parts(mail, "message/global-headers")):
        octets = part.get_payload(decode=True)
        found += [octets.decode("ascii", "replace")] if isinstance(octets, bytes) else []
    return _ids_in((*found, text))


def _ids_in(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(one for each in texts for one in _MESSAGE_ID.findall(each))


def _parts(mail: Message, kind: str) -> Iterator[Message]:
    return (part for part in mail.walk() if part.get_content_type() == kind)


def _messages(part: Message) -> list[Message]:
    payload = part.get_payload()
    return [each for each in payload if isinstance(each, Message)] if isinstance(payload, list) else []
