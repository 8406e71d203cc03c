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
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from reminders.errors import InputError
from reminders.sentences import english
from reminders.wording.alphabets import ESCAPE, GSM7, SINGLE_SHIFTS, Alphabet, encode_ucs2, pack
from reminders.wording.sms_clusters import clusters

NO_SHIFTS: frozenset[str] = frozenset()

MAX_SEGMENTS = 255
"""The total in a concatenation header is one octet (3GPP TS 23.040 cl. 9.2.3.24.1)."""


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


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One of the messages that carry a text."""

    text: str
    encoding: Encoding
    udh: bytes
    """User data header with its length octet; b"" when there is none."""
    unpacked: bytes
    """The text alone: one septet per octet, or 16-bit units. Most SMPP links take `udh + unpacked`."""
    user_data: bytes
    """TP-UD, at most 140 octets: header, fill bits, packed text."""
    udl: int
    """TP-UDL: septets with header and fill for 7-bit coding, octets for UCS-2."""
    data_coding: int
    """TP-DCS, and SMPP data_coding: 0x00 for 7-bit coding, 0x08 for UCS-2 (3GPP TS 23.038 cl. 4)."""


@dataclass(frozen=True, kw_only=True)
class Costly:
    """A character that the default alphabet lacks."""

    offset: int
    """Place in the text, from 0, in code points."""
    character: str
    name: str
    """Unicode name; U+XXXX for a character without one."""


def measure(text: str, *, shifts: frozenset[str] = NO_SHIFTS, wide_reference: bool = False) -> Measure:
    """Return the cheapest coding that keeps `text` whole, and its cost.

    `wide_reference` counts with the 16-bit concatenation header, as `split` does when told the same.
    InputError for half a surrogate pair, and for a name in `shifts` that no table has.
    """
    shifted = _measure_shifted(text, shifts, wide_reference=wide_reference) if shifts else None
    if _all_default(text):
        units = len(text) + len(_extensions(text))
        if units <= 160:
            return Measure(encoding=Encoding.GSM7, shift=None, units=units, segments=1)
        return _measure_as(text, Encoding.GSM7, units=units, wide_reference=wide_reference)
    if shifted is not None:
        return shifted
    units = len(encode_ucs2(text)) // 2
    return _measure_as(text, Encoding.UCS2, units=units, wide_reference=wide_reference)


def split(
    text: str, *, reference: int, wide_reference: bool = False, shifts: frozenset[str] = NO_SHIFTS
) -> tuple[Segment, ...]:
    """Cut `text` into the segments that `measure` counts; an empty text gives one empty segment.

    `reference` is the number that all segments of one message share, 0 to 255, or to 65535 with
    `wide_reference`; a single segment has no concatenation header. No escape or surrogate pair is cut, and
    no grapheme cluster unless sparing it would cost a segment more.
    InputError as for `measure`, for a reference out of range, and above 255 segments.
    """
    if not 0 <= reference <= (0xFFFF if wide_reference else 0xFF):
        raise InputError(
            english("concatenation reference {reference} does not fit its header").format(reference=reference)
        )
    measured = measure(text, shifts=shifts, wide_reference=wide_reference)
    total = measured.segments
    if total > MAX_SEGMENTS:
        raise InputError(
            english("the text needs {total} segments; {limit} is the most").format(total=total, limit=MAX_SEGMENTS)
        )
    if total == 1:
        return (_segment(text, measured, _header(measured.shift)),)
    octets = reference.to_bytes(2 if wide_reference else 1, "big")
    _, room = _rooms(measured.encoding, measured.shift, len(octets))
    parts = _parts(text, measured, room)
    return tuple(
        _segment(part, measured, _header(measured.shift, octets + bytes((total, number))))
        for number, part in enumerate(parts, start=1)
    )


def costly_characters(text: str) -> tuple[Costly, ...]:
    """Return every character that keeps `text` out of the default alphabet, in order; () when none does.

    Extension characters are not listed: they cost two septets, but change no coding.
    """
    return tuple(
        Costly(offset=at, character=char, name=unicodedata.name(char, f"U+{ord(char):04X}"))
        for at, char in enumerate(text)
        if char not in GSM7.septets_of
    )


def substitute_typography(text: str) -> str:
    """Return `text` with typographic quotes, dashes, ellipses and fixed spaces as their ASCII forms.

    Letters are never changed. Called where a template's author asked for it, never on the way out
    (common practice, no source).
    """
    return text.translate(_TYPOGRAPHY)


def _measure_shifted(text: str, shifts: frozenset[str], *, wide_reference: bool) -> Measure | None:
    found: list[Measure] = []
    for shift, table in [(name, _table(name)) for name in sorted(shifts)]:
        if table.septets_of.keys() >= set(text):
            units = len(table.encode(text))
            found.append(
                _measure_as(text, Encoding.GSM7_SHIFT, units=units, shift=shift, wide_reference=wide_reference)
            )
    return min(found, key=lambda measured: (measured.segments, measured.units), default=None)


def _measure_as(
    text: str, encoding: Encoding, *, units: int, wide_reference: bool, shift: str | None = None
) -> Measure:
    alone, each = _rooms(encoding, shift, 2 if wide_reference else 1)
    if units <= alone:
        segments = 1
    elif units == len(text):  # no pair to keep whole, so every segment is full
        segments = -(-units // each)
    else:
        segments = _count_segments(_encode(text, encoding, shift), encoding, each)
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


def _parts(text: str, measured: Measure, room: int) -> list[str]:
    def width(piece: str) -> int:
        return len(_encode(piece, measured.encoding, measured.shift)) // _UNIT_OCTETS[measured.encoding]

    whole: list[str] = []
    for cluster in clusters(text):
        whole.extend((cluster,) if width(cluster) <= room else cluster)
    parts = _fill(whole, width, room)
    return parts if len(parts) == measured.segments else _fill(text, width, room)


def _fill(pieces: Sequence[str], width: Callable[[str], int], room: int) -> list[str]:
    parts: list[str] = [""]
    used = 0
    for piece in pieces:
        size = width(piece)
        if used + size > room:
            parts.append("")
            used = 0
        parts[-1] += piece
        used += size
    return parts


def _segment(text: str, measured: Measure, udh: bytes) -> Segment:
    octets = _encode(text, measured.encoding, measured.shift)
    if measured.encoding is Encoding.UCS2:
        user_data, udl, data_coding = udh + octets, len(udh) + len(octets), 0x08
    else:
        fill_bits = -8 * len(udh) % 7
        user_data = udh + pack(octets, fill_bits=fill_bits)
        udl, data_coding = (8 * len(udh) + fill_bits) // 7 + len(octets), 0x00
    return Segment(
        text=text,
        encoding=measured.encoding,
        udh=udh,
        unpacked=octets,
        user_data=user_data,
        udl=udl,
        data_coding=data_coding,
    )


def _header(shift: str | None, concatenation: bytes = b"") -> bytes:
    """Return the user data header; `concatenation` is reference, total and number, or b"".

    Element identifiers 00 and 08 (concatenation) and 24 (single shift): 3GPP TS 23.040 cl. 9.2.3.24.
    """
    elements = b""
    if concatenation:
        identifier = 0x00 if len(concatenation) == 3 else 0x08
        elements += bytes((identifier, len(concatenation))) + concatenation
    if shift:
        elements += bytes((0x24, 1, _table(shift).language_id))
    return bytes((len(elements),)) + elements if elements else b""


def _table(shift: str) -> Alphabet:
    try:
        return SINGLE_SHIFTS[shift]
    except KeyError:
        known = ", ".join(SINGLE_SHIFTS)
        raise InputError(
            english("there is no single shift table {shift!r}; there are {known}").format(shift=shift, known=known)
        ) from None


@cache
def _rooms(encoding: Encoding, shift: str | None, reference_octets: int) -> tuple[int, int]:
    """Return the units of text in a message that stands alone, and in each of several.

    140 octets less the header (3GPP TS 23.040 cl. 9.2.3.24.1).
    """
    rooms = [140 - len(_header(shift)), 140 - len(_header(shift, bytes(reference_octets + 2)))]
    alone, each = (octets // 2 if encoding is Encoding.UCS2 else octets * 8 // 7 for octets in rooms)
    return alone, each


_UNIT_OCTETS = {Encoding.GSM7: 1, Encoding.GSM7_SHIFT: 1, Encoding.UCS2: 2}
_all_default = re.compile(f"[{re.escape(''.join(GSM7.septets_of))}]*").fullmatch
_extensions = re.compile(f"[{re.escape(''.join(GSM7.escaped.values()))}]").findall

_TYPOGRAPHY = str.maketrans(
    {
        **dict.fromkeys("‘’‚‛‹›", "'"),
        **dict.fromkeys("“”„‟«»", '"'),
        **dict.fromkeys(
            "\N{HYPHEN}\N{NON-BREAKING HYPHEN}\N{FIGURE DASH}\N{EN DASH}\N{EM DASH}\N{HORIZONTAL BAR}", "-"
        ),
        "\N{HORIZONTAL ELLIPSIS}": "...",
        # CLDR puts the last three into times and ranges, such as "8:00\u202fPM".
        **dict.fromkeys("\N{NO-BREAK SPACE}\N{FIGURE SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}", " "),
    }
)
