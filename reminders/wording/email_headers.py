"""Knows how header fields are written: encoded where letters ask for it, and folded where lines grow long.

Only the encoded words are left to the standard library. As a whole it would turn an address longer than a line into
encoded words (python/cpython#100991), which no mail program takes for an address, so that a long List-Unsubscribe or
In-Reply-To is lost; and it drops spaces between the encoded words of a quoted display name.
"""

from __future__ import annotations

from email.header import Header
from email.headerregistry import Address
from email.utils import quote

LINE_END = "\r\n"
LINE = 78
"""Octets a line should have at most (RFC 5322 section 2.1.1)."""
_ENCODED_LINE = 76
"""Likewise, where encoded words stand in it (RFC 2047 section 2)."""
_PLAIN = 60


def field(name: str, value: str) -> str:
    """Return a field with its line ends; `value` is plain ASCII, and is broken only where a space stands in it."""
    if len(name) + len(": ") + len(value) > LINE:
        value = value.replace(" ", LINE_END + " ")
    return f"{name}: {value}{LINE_END}"


def text_field(name: str, text: str) -> str:
    """Return a field that holds words of any language."""
    return f"{name}: {_words(name, text)}{LINE_END}"


def address_field(name: str, address: Address) -> str:
    """Return a field that holds one address, with the name it is shown by if it has one."""
    if not address.display_name:
        return field(name, address.addr_spec)
    shown = _words(name, address.display_name)
    if shown == address.display_name:
        shown = f'"{quote(shown)}"'
    return f"{name}: {shown}{LINE_END} <{address.addr_spec}>{LINE_END}"


def _words(name: str, text: str) -> str:
    """Return `text` itself when short and plain, else in encoded words (RFC 2047)."""
    if text.isascii() and len(text) <= _PLAIN and "=?" not in text and text == " ".join(text.split()):
        return text
    return Header(text, "utf-8", header_name=name, maxlinelen=_ENCODED_LINE).encode(linesep=LINE_END)
