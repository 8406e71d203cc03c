"""Knows what a text costs as SMS, and cuts it into segments (3GPP TS 23.038 and TS 23.040).

Nothing here changes a letter. The coding chosen is the one with the fewest segments that keeps the text
whole; of two equal ones the simpler: default alphabet, then single shift, then UCS-2. Because a header leaves
room for at least 148 septets, and a character costs two at most, that order alone finds it.

Single shift tables (`shifts`, names of `alphabets.SINGLE_SHIFTS`) are off unless the caller asks: the sender
announces them in a user data header, which many message centres and SMPP links drop or garble, and an old
handset then shows `a` for `á`. Allow one only for a link on which it was seen to arrive.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from reminders.errors import InputError
from reminders.wording.alphabets import ESCAPE, GSM7, SINGLE_SHIFTS, Alphabet, encode_ucs2

NO_SHIFTS: frozenset[str] = frozenset()


class Encoding(StrEnum):
    """How the characters of a message are coded."""

    GSM7 = "gsm7"
    """GSM 7-bit default alphabet with its default extension."""
    GSM7_SHIFT = "gsm7-shift"
    """GSM 7-bit with a national single shift table, announced in a header."""
    UCS2 = "ucs2"
    """16-bit units; any script."""


@dataclass(frozen=True, kw_only=True)
class Measure:
    """What a text costs."""

    encoding: Encoding
    shift: str | None
    """Name of the single shift table; None for the other encodings."""
    units: int
    """Septets (gsm7, gsm7-shift) or 16-bit units (ucs2) of the text alone, without any header."""
    segments: int
    """Messages sent and paid for; 1 for an empty text."""


def measure(text: str, *, shifts: frozenset[str] = NO_SHIFTS, wide_reference: bool = False) -> Measure:
    """Return the cheapest coding that keeps `text` whole, and its cost.

    `wide_reference` counts with the 16-bit concatenation header, as `split` does when told the same.
    InputError for half a surrogate pair, and for a name in `shifts` that no table has.
    """
    tables = {name: _table(name) for name in sorted(shifts)} if shifts else {}
    if _all_default(text):
        units = len(text) + len(_extensions(text))
        if units <= 160:
            return Measure(encoding=Encoding.GSM7, shift=None, units=units, segments=1)
        if units == len(text):  # no pair to keep whole, so every segment is full
            room = _room(Encoding.GSM7, _header_octets(None, 2 if wide_reference else 1))
            return Measure(encoding=Encoding.GSM7, shift=None, units=units, segments=-(-units // room))
        return _measure_as(text, Encoding.GSM7, None, wide_reference=wide_reference)
    shifted = [
        _measure_as(text, Encoding.GSM7_SHIFT, name, wide_reference=wide_reference)
        for name, table in tables.items()
        if table.septets_of.keys() >= set(text)
    ]
    if shifted:
        return min(shifted, key=lambda measured: (measured.segments, measured.units))
    return _measure_as(text, Encoding.UCS2, None, wide_reference=wide_reference)


def _measure_as(text: str, encoding: Encoding, shift: str | None, *, wide_reference: bool) -> Measure:
    octets = _encode(text, encoding, shift)
    units = len(octets) // _UNIT_OCTETS[encoding]
    segments = 1
    if units > _room(encoding, _header_octets(shift, 0)):
        room = _room(encoding, _header_octets(shift, 2 if wide_reference else 1))
        segments = _count_segments(octets, encoding, room)
    return Measure(encoding=encoding, shift=shift, units=units, segments=segments)


def _count_segments(octets: bytes, encoding: Encoding, room: int) -> int:
    size = len(octets) // _UNIT_OCTETS[encoding]
    start = count = 0
    while start < size:
        count += 1
        start += room
        if start < size and _opens_pair(octets, encoding, start - 1):
            start -= 1
    return count


def _opens_pair(octets: bytes, encoding: Encoding, at: int) -> bool:
    """Tell whether the unit at `at` belongs with the next one and must not end a segment."""
    if encoding is Encoding.UCS2:
        return 0xD8 <= octets[2 * at] <= 0xDB
    return octets[at] == ESCAPE


def _encode(text: str, encoding: Encoding, shift: str | None) -> bytes:
    if encoding is Encoding.UCS2:
        return encode_ucs2(text)
    return (_table(shift) if shift else GSM7).encode(text)


def _table(shift: str) -> Alphabet:
    try:
        return SINGLE_SHIFTS[shift]
    except KeyError:
        known = ", ".join(SINGLE_SHIFTS)
        raise InputError(f"there is no single shift table {shift!r}; there are {known}") from None


def _header_octets(shift: str | None, reference_octets: int) -> int:
    """Return the header's size with its length octet; 0 reference octets mean no concatenation."""
    elements = (4 + reference_octets if reference_octets else 0) + (3 if shift else 0)
    return 1 + elements if elements else 0


def _room(encoding: Encoding, header_octets: int) -> int:
    """Return the units of text that 140 octets hold beside a header (3GPP TS 23.040 cl. 9.2.3.24.1)."""
    octets = 140 - header_octets
    return octets // 2 if encoding is Encoding.UCS2 else octets * 8 // 7


_UNIT_OCTETS = {Encoding.GSM7: 1, Encoding.GSM7_SHIFT: 1, Encoding.UCS2: 2}
_all_default = re.compile(f"[{re.escape(''.join(GSM7.septets_of))}]*").fullmatch
_extensions = re.compile(f"[{re.escape(''.join(GSM7.escaped.values()))}]").findall
