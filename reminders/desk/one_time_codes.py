"""One-time codes of the second factor: TOTP (RFC 6238), SHA-1, six digits, 30 seconds, as authenticators have it."""

from __future__ import annotations

import base64
import hmac
import re
import secrets
from datetime import datetime
from urllib.parse import quote, urlencode

STEP_SECONDS = 30
DIGITS = 6
_SECRET = re.compile(r"[A-Z2-7]{32}")
_STEPS_ASIDE = 1
"""A code of the step before or after is taken, too (RFC 6238 section 5.2): clocks differ and people type slowly."""


def new_secret() -> str:
    """Return a secret of 160 bits (RFC 4226 section 4, R6) in Base32."""
    return base64.b32encode(secrets.token_bytes(20)).decode("ascii")


def is_secret(text: str) -> bool:
    """Say whether a text is a secret as `new_secret` makes them."""
    return _SECRET.fullmatch(text) is not None


def code_at(secret: bytes, step: int, *, digits: int = DIGITS) -> str:
    """Return the code of a step (RFC 4226 section 5.3, RFC 6238 section 4)."""
    mac = hmac.digest(secret, step.to_bytes(8, "big"), "sha1")
    offset = mac[-1] & 0xF
    number = int.from_bytes(mac[offset : offset + 4], "big") & 0x7FFF_FFFF
    return str(number % 10**digits).zfill(digits)


def step_of(secret: str, code: str, now: datetime) -> int | None:
    """Return the step that a code belongs to, None when it is no code of about now."""
    typed = "".join(code.split())
    key = base64.b32decode(secret)
    present = int(now.timestamp()) // STEP_SECONDS
    steps = range(present - _STEPS_ASIDE, present + _STEPS_ASIDE + 1)
    fits = [step for step in steps if hmac.compare_digest(code_at(key, step).encode(), typed.encode())]
    return fits[-1] if fits else None


def set_up_uri(secret: str, *, login: str, practice: str) -> str:
    """Return what an authenticator reads from the QR code (the `otpauth` key URI format, by common practice)."""
    label = quote(f"{practice}:{login}")
    return f"otpauth://totp/{label}?{urlencode({'secret': secret, 'issuer': practice})}"
