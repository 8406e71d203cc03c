"""Knows how the parts of an e-mail are written, in lines of seven bits that every server on the way takes.

Text is left as it is where that will do, else it is written as quoted-printable or in base64 (RFC 2045 section 6),
whichever is shorter.
"""

from __future__ import annotations

import base64
from binascii import b2a_qp
from collections.abc import Sequence

from reminders.wording.email_headers import LINE

_END = b"\r\n"
_BASE64_TIMES = 4 / 3 * 78 / 76
"""By how much base64 makes a text longer: four octets for three, and a line end after 76."""


def text_part(subtype: str, text: str) -> bytes:
    """Return a part of text, its own header first; UnicodeEncodeError for half a surrogate pair."""
    lines = text.encode().splitlines()
    octets = _END.join((*lines, b""))
    encoding = "7bit"
    if not octets.isascii() or b"\0" in octets or max(map(len, lines), default=0) > LINE:
        encoding, plain, octets = "quoted-printable", octets, b2a_qp(octets)
        if len(octets) > _BASE64_TIMES * len(plain):
            encoding, octets = "base64", _in_base64(plain)
    head = f'Content-Type: text/{subtype}; charset="utf-8"\r\nContent-Transfer-Encoding: {encoding}\r\n\r\n'
    return head.encode() + octets


def calendar_part(content: bytes, method: str) -> bytes:
    """Return an attached calendar object; its header says the same `method` as it does (RFC 6047 §2.4, from memory)."""
    head = (
        f'Content-Type: text/calendar; charset="utf-8"; method="{method}"\r\n'
        "Content-Transfer-Encoding: base64\r\n"
        'Content-Disposition: attachment; filename="visit.ics"\r\n\r\n'
    )
    return head.encode() + _in_base64(content)


def multipart(subtype: str, boundary: str, parts: Sequence[bytes]) -> bytes:
    """Return several parts as one, its header first (RFC 2046 section 5.1)."""
    head = f'Content-Type: multipart/{subtype};\r\n boundary="{boundary}"\r\n\r\n'.encode()
    between = f"--{boundary}".encode()
    return head + b"".join(between + _END + part + _END for part in parts) + between + b"--" + _END


def _in_base64(octets: bytes) -> bytes:
    return base64.encodebytes(octets).replace(b"\n", _END)
