"""Reads the text of an SMS that came in, whatever its coding; nothing is lost because a coding is not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from reminders.errors import InputError
from reminders.wording.alphabets import GSM7, SINGLE_SHIFTS, decode_ucs2

CentreAlphabet = Literal["gsm7", "latin1"]

# SMPP 3.4 section 5.2.19
_CHARSETS = {0x01: "ascii", 0x03: "latin-1", 0x06: "iso8859-5", 0x07: "iso8859-8"}
_UCS2 = 0x08
_EIGHT_BIT = frozenset({0x02, 0x04})
_SHIFT_NAMES = {alphabet.language_id: name for name, alphabet in SINGLE_SHIFTS.items()}


@dataclass(frozen=True, kw_only=True)
class Header:
    """What a user data header says (3GPP TS 23.040 cl. 9.2.3.24)."""

    reference: int = 0
    total: int = 1
    number: int = 1
    shift: str | None = None
    """The single shift table it names."""

    @property
    def is_part(self) -> bool:
        """Whether there are other segments."""
        return self.total > 1


def split_header(octets: bytes) -> tuple[Header, bytes]:
    """Return what the user data header says, and the text after it.

    An element that is not known, or makes no sense, is passed over; a header that runs past the end is no header.
    """
    if not octets or octets[0] + 1 > len(octets):
        return Header(), octets
    end = octets[0] + 1
    reference, total, number, shift = 0, 1, 1, None
    at = 1
    while at + 2 <= end:
        identifier, length = octets[at], octets[at + 1]
        value = octets[at + 2 : at + 2 + length]
        at += 2 + length
        if at > end:
            break
        if (identifier, len(value)) in {(0x00, 3), (0x08, 4)} and 1 <= value[-1] <= value[-2]:
            reference, total, number = int.from_bytes(value[:-2], "big"), value[-2], value[-1]
        elif identifier == 0x24 and len(value) == 1:
            shift = _SHIFT_NAMES.get(value[0])
    return Header(reference=reference, total=total, number=number, shift=shift), octets[end:]


def decode_sms(octets: bytes, data_coding: int, *, shift: str | None = None, alphabet: CentreAlphabet = "gsm7") -> str:
    """Return the text of an SMS; one septet in each octet where its coding has 7 bits. "" for b"".

    `alphabet` is what the message centre means by coding 0. What can't be read as said is read as ISO 8859-1.
    """
    coding = _plain_coding(data_coding)
    if coding == _UCS2:
        return decode_ucs2(octets)
    charset = _CHARSETS.get(coding)
    if charset is None and coding not in _EIGHT_BIT and alphabet == "gsm7":
        try:
            return (SINGLE_SHIFTS[shift] if shift else GSM7).decode(octets)
        except InputError:
            charset = None  # an octet above 0x7F: the centre's default alphabet is another one
    try:
        return octets.decode(charset or "utf-8")
    except UnicodeDecodeError:
        return octets.decode("latin-1")


def _plain_coding(data_coding: int) -> int:
    """Return the coding without message class and waiting indication (3GPP TS 23.038 cl. 4, from memory)."""
    group = data_coding >> 4
    if group == 0:
        return data_coding
    if group <= 0x3:
        return {0x00: 0, 0x04: 0x04, 0x08: _UCS2}.get(data_coding & 0x0C, 0)
    if group == 0xE:
        return _UCS2
    if group == 0xF and data_coding & 0x04:
        return 0x04
    return 0
