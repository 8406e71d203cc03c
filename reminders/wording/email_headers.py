"""Knows how header fields are written, where the standard library would garble them.

`email` in Python 3.11 turns an address longer than a line into encoded words (python/cpython#100991), which
no mail program takes for an address, so that a long List-Unsubscribe or In-Reply-To is lost; and it drops
spaces between the encoded words of a quoted display name.
"""

from __future__ import annotations

from email.header import Header
from email.headerregistry import Address, AddressHeader, BaseHeader, HeaderRegistry
from email.policy import EmailPolicy
from email.utils import quote
from functools import lru_cache
from typing import Any

_AS_IT_IS = {
    "auto-submitted",
    "content-language",
    "in-reply-to",
    "list-unsubscribe",
    "list-unsubscribe-post",
    "message-id",
    "mime-version",
    "references",
    "subject",
}
_OF_PARTS = {"content-type", "content-transfer-encoding", "mime-version"}
"""Fields that are the same in almost every e-mail, but for the boundary between parts."""
_ONE_LINERS = {*_AS_IT_IS, *_OF_PARTS, "date"}
"""Fields in which there is nothing to encode, and nothing to fold when they are short."""
_LINE = 78
"""Octets a line should have at most (RFC 5322 section 2.1.1)."""
_ADDRESS_LISTS = {"list-unsubscribe", "in-reply-to", "references"}


class _Registry(HeaderRegistry):
    """The library's own kinds of fields; it would make a new class for every field of every e-mail."""

    def __init__(self) -> None:
        super().__init__()
        self._made: dict[str, type[BaseHeader]] = {}

    def __getitem__(self, name: str) -> type[BaseHeader]:
        """Return the kind of a field; made once for each name."""
        made = self._made.get(name)
        if made is None:
            made = self._made[name] = super().__getitem__(name)
        return made


class _Policy(EmailPolicy):
    """The standard policy, but for the fields it garbles."""

    def header_store_parse(self, name: str, value: Any) -> tuple[str, Any]:
        """Return the field to keep: as it is where nothing in it has to be read, as reading is what takes the time."""
        if name.lower() in _AS_IT_IS and isinstance(value, str) and value.isprintable():
            return name, value
        if _is_usual(name, value):
            return _parsed(name, value)
        if name.lower() == "from" and isinstance(value, Address):  # a practice has one for all its mails
            return _parsed_address(name, value.display_name, value.addr_spec)
        return super().header_store_parse(name, value)

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
        if name.lower() in _ONE_LINERS and value.isascii() and value.isprintable() and len(name + value) <= _LINE - 2:
            return f"{name}: {value}{self.linesep}"
        return str(super().fold(name, value))

    def fold_binary(self, name: str, value: str) -> bytes:
        """Return the same field as octets."""
        return self.fold(name, value).encode("ascii")

    def _words(self, name: str, text: str) -> str:
        """Return `text` itself when short and plain, else in encoded words (RFC 2047)."""
        if text.isascii() and len(text) <= 60 and "=?" not in text and text == " ".join(text.split()):
            return text
        return Header(text, "utf-8", header_name=name, maxlinelen=76).encode(linesep=self.linesep)


def _is_usual(name: str, value: object) -> bool:
    return isinstance(value, str) and name.lower() in _OF_PARTS and "boundary" not in value


@lru_cache(maxsize=64)
def _parsed(name: str, value: str) -> tuple[str, Any]:
    return EmailPolicy.header_store_parse(POLICY, name, value)


@lru_cache(maxsize=64)
def _parsed_address(name: str, shown: str, addr_spec: str) -> tuple[str, Any]:
    return EmailPolicy.header_store_parse(POLICY, name, Address(shown, addr_spec=addr_spec))


POLICY = _Policy(linesep="\r\n", cte_type="7bit", raise_on_defect=False, header_factory=_Registry())
"""CRLF line ends, and no part in 8 bits: not every server on the way takes those (RFC 6152)."""
