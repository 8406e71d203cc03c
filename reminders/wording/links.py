"""Knows the addresses that are put into messages, and the tokens in them that nobody can guess.

A token says what it is for and names one thing by its number; a keyed hash (HMAC-SHA256, RFC 2104) shows that it was
made here. It holds nothing about a patient, never expires, and is good for nothing but its purpose.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from urllib.parse import quote

UNSUBSCRIBE_PATH = "/unsubscribe/"
"""Where the pages take a POST that ends the e-mails to an address (RFC 8058 section 3.2); the token follows."""
_UNSUBSCRIBE = "unsubscribe"
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


def token(key: bytes, purpose: str, number: int) -> str:
    """Return the token for a thing, made of letters, digits, `-` and `_`."""
    return f"{number}-{_mac(key, purpose, number)}"


def number_in(key: bytes, purpose: str, text: str) -> int | None:
    """Return the number of the thing that a token of this purpose names; None when it was not made here."""
    digits, _, mac = text.partition("-")
    if not (digits.isascii() and digits.isdecimal() and len(digits) <= 19):
        return None
    number = int(digits)
    fits = hmac.compare_digest(mac.encode(), _mac(key, purpose, number).encode())
    return number if fits and str(number) == digits else None


def _mac(key: bytes, purpose: str, number: int) -> str:
    digest = hmac.digest(key, f"{purpose}:{number}".encode(), hashlib.sha256)
    return base64.urlsafe_b64encode(digest[:_MAC_BYTES]).decode().rstrip("=")
