"""Knows the addresses that are put into messages and on sheets, and the tokens in them that nobody can guess.

A token says what it is for and names one thing by its number; a keyed hash (HMAC-SHA256, RFC 2104) shows that it was
made here. It holds nothing about a patient and is good for nothing but its purpose. When one ends, whoever reads it
decides, except where its purpose names the moment.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import UTC, datetime
from urllib.parse import quote

import segno

PAGE_PATH = "/my/"
"""Where a patient's own page lies; the token and a slash follow."""
PAGE_CODE_DIGITS = 6
UNSUBSCRIBE_PATH = "/unsubscribe/"
"""Where the pages take a POST that ends the e-mails to an address (RFC 8058 section 3.2); the token follows."""
_UNSUBSCRIBE = "unsubscribe"
_MOST = 2**63 - 1  # what a column of the database holds
_MAC_BYTES = 16
"""128 bits: beyond guessing, and never truncated to less than half the hash (RFC 2104 section 5)."""


def unsubscribe_url(base: str, key: bytes, message_id: int) -> str | None:
    """Return the address that ends the e-mails to where a message went; None unless pages are served over https.

    `base` is the pages' address, `https://aftercare.example.org`; RFC 8058 section 3.1 asks for https.
    """
    if not base.startswith("https://"):
        return None
    return f"{base.rstrip('/')}{UNSUBSCRIBE_PATH}{token(key, _UNSUBSCRIBE, message_id)}"


def unsubscribe_mailto(address: str) -> str:
    """Return the address that ends them by a mail instead, whose words are read like any patient's: STOP."""
    return f"mailto:{quote(address, safe='@+')}?subject=STOP&body=STOP"


def unsubscribed_message(key: bytes, text: str) -> int | None:
    """Return the id of the message whose token for unsubscribing this is; None for anything else."""
    return number_in(key, _UNSUBSCRIBE, text)


def page_url(base: str, key: bytes, enrollment_id: int, issue: int) -> str:
    """Return the address of a patient's page; a later `issue` of the link makes every earlier one void."""
    return f"{base.rstrip('/')}{PAGE_PATH}{token(key, _page(issue), enrollment_id)}/"


def is_page(key: bytes, text: str, enrollment_id: int, issue: int) -> bool:
    """Say whether this is the token of an enrollment's page as it was issued last."""
    return number_in(key, _page(issue), text) == enrollment_id


def page_code(key: bytes, enrollment_id: int, issue: int) -> str:
    """Return the code that opens a patient's page: digits that follow from the key and are kept nowhere."""
    digest = hmac.digest(key, f"page code.{issue}:{enrollment_id}".encode(), hashlib.sha256)
    return str(int.from_bytes(digest, "big") % 10**PAGE_CODE_DIGITS).zfill(PAGE_CODE_DIGITS)


def opened_page(key: bytes, enrollment_id: int, issue: int, *, until: datetime) -> str:
    """Return what a browser keeps while a page is open to it, until an instant (whole seconds)."""
    seconds = int(until.timestamp())
    return f"{seconds}.{token(key, _opened(issue, seconds), enrollment_id)}"


def page_open_until(key: bytes, text: str, enrollment_id: int, issue: int) -> datetime | None:
    """Return until when such a text keeps this page open; None when it was not made here, for it."""
    digits, _, rest = text.partition(".")
    if not (digits.isascii() and digits.isdecimal() and len(digits) <= 11):
        return None
    seconds = int(digits)
    if number_in(key, _opened(issue, seconds), rest) != enrollment_id:
        return None
    return datetime.fromtimestamp(seconds, UTC)


def page_form(key: bytes, enrollment_id: int, issue: int) -> str:
    """Return what the forms of a page carry, which no page of another site can know."""
    return token(key, f"page form.{issue}", enrollment_id)


def claimed_number(text: str) -> int | None:
    """Return the number that a token says, before anybody looked whether it was made here."""
    digits = text.partition("-")[0]
    if not (digits.isascii() and digits.isdecimal() and len(digits) <= 19):
        return None
    number = int(digits)
    return number if number <= _MOST else None


def qr_drawing(text: str) -> str:
    """Return a text as a QR code (ISO/IEC 18004, level M), an SVG that stands in a page and scales to its place."""
    code = segno.make(text, error="m", micro=False)
    return str(code.svg_inline(border=4, dark="#000", light="#fff", omitsize=True))


def token(key: bytes, purpose: str, number: int) -> str:
    """Return the token for a thing, made of letters, digits, `-` and `_`."""
    return f"{number}-{_mac(key, purpose, number)}"


def number_in(key: bytes, purpose: str, text: str) -> int | None:
    """Return the number of the thing that a token of this purpose names; None when it was not made here."""
    number = claimed_number(text)
    if number is None:
        return None
    digits, _, mac = text.partition("-")
    fits = hmac.compare_digest(mac.encode(), _mac(key, purpose, number).encode())
    return number if fits and str(number) == digits else None


def _page(issue: int) -> str:
    return f"page.{issue}"


def _opened(issue: int, seconds: int) -> str:
    return f"opened page.{issue}.{seconds}"


def _mac(key: bytes, purpose: str, number: int) -> str:
    digest = hmac.digest(key, f"{purpose}:{number}".encode(), hashlib.sha256)
    return base64.urlsafe_b64encode(digest[:_MAC_BYTES]).decode().rstrip("=")
