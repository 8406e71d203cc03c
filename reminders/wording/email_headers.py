"""Knows how header fields are written, where the standard library would garble them.

`email` in Python 3.11 turns an address longer than a line into encoded words (python/cpython#100991), which
no mail program takes for an address, so that a long List-Unsubscribe or In-Reply-To is lost; and it drops
spaces between the encoded words of a quoted display name.
"""

from __future__ import annotations

from email.header import Header
from email.headerregistry import AddressHeader
from email.policy import EmailPolicy
from email.utils import quote

_ADDRESS_LISTS = {"list-unsubscribe", "in-reply-to", "references"}


class _Policy(EmailPolicy):
    """The standard policy, but for the fields it garbles."""

    def fold(self, name: str, value: str) -> str:
        """Return the whole field with its line ends, each line at most 78 octets where words allow it."""
        if name.lower() == "subject":
            return f"{name}: {self._words(name, str(value))}{self.linesep}"
        if name.lower() in _ADDRESS_LISTS:
            # Never encoded, each address whole on a line of its own.
            return f"{name}: {str(value).replace(' ', self.linesep + ' ')}{self.linesep}"
        if isinstance(value, AddressHeader):
            (mailbox,) = value.addresses
            if not mailbox.display_name:
                return f"{name}: {mailbox.addr_spec}{self.linesep}"
            shown = self._words(name, mailbox.display_name)
            if shown == mailbox.display_name:
                shown = f'"{quote(shown)}"'
            return f"{name}: {shown}{self.linesep} <{mailbox.addr_spec}>{self.linesep}"
        return str(super().fold(name, value))

    def fold_binary(self, name: str, value: str) -> bytes:
        """Return the same field as octets."""
        return self.fold(name, value).encode("ascii")

    def _words(self, name: str, text: str) -> str:
        """Return `text` itself when short and plain, else in encoded words (RFC 2047)."""
        if text.isascii() and len(text) <= 60 and "=?" not in text and text == " ".join(text.split()):
            return text
        return Header(text, "utf-8", header_name=name, maxlinelen=76).encode(linesep=self.linesep)


POLICY = _Policy(linesep="\r\n", cte_type="7bit", raise_on_defect=False)
"""CRLF line ends, and no part in 8 bits: not every server on the way takes those (RFC 6152)."""
