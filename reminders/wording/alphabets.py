"""Knows the alphabets of a text message: GSM 7-bit, its national single shift tables, UCS-2, and packing.

The tables stand in data/gsm7_default_alphabet.csv and data/gsm7_single_shift.csv (3GPP TS 23.038 cl. 6.2.1
and Annex A.2). A *septet string* is a bytes object with one septet, 0x00 to 0x7F, in each octet.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from reminders.errors import InputError

ESCAPE = 0x1B
"""Announces a code of the second table; never a character by itself (3GPP TS 23.038 cl. 6.2.1)."""

_DATA = Path(__file__).with_name("data")


@dataclass(frozen=True, kw_only=True)
class Alphabet:
    """The default alphabet with one second table: the default extension or a national single shift table."""

    name: str
    language_id: int
    """National language identifier that the header announces; 0 for the default extension."""
    septets_of: Mapping[str, bytes]
    """Every character with its one septet, or with the escape and its septet."""
    default: Mapping[int, str]
    """What a single septet shows; the escape is not in it."""
    escaped: Mapping[int, str]
    """What a septet shows after an escape."""

    def encode(self, text: str) -> bytes:
        """Return the septet string of `text`, b"" for "".

        Nothing is replaced: InputError, naming the place, when a character is not in the alphabet.
        """
        try:
            return b"".join([self.septets_of[char] for char in text])
        except KeyError:
            at = next(at for at, char in enumerate(text, start=1) if char not in self.septets_of)
            raise InputError(f"character {at} of the text is not in the {self.name} alphabet") from None

    def decode(self, septets: bytes) -> str:
        """Return what a handset shows for a septet string, "" for b"".

        An escape before a code that the second table lacks shows the default table's character, and an
        escape before an escape or at the end shows a space (3GPP TS 23.038 cl. 6.2.1 and 6.2.1.1, notes,
        from memory; the end is our reading). InputError when an octet is above 0x7F.
        """
        shown: list[str] = []
        codes = iter(septets)
        for code in codes:
            if code != ESCAPE:
                shown.append(_shown(self.default, code))
                continue
            second = next(codes, ESCAPE)
            shown.append(self.escaped.get(second) or (" " if second == ESCAPE else _shown(self.default, second)))
        return "".join(shown)


def encode_ucs2(text: str) -> bytes:
    """Return `text` in 16-bit units, high octet first, b"" for "".

    Characters beyond the basic plane become surrogate pairs, as handsets read them (common practice; UCS-2
    itself has none). InputError, naming the place, for half a surrogate pair: it is no character.
    """
    try:
        return text.encode("utf-16-be")
    except UnicodeEncodeError as error:
        message = f"character {error.start + 1} of the text is half a surrogate pair, not a character"
        raise InputError(message) from None


def decode_ucs2(octets: bytes) -> str:
    """Return the text of 16-bit units, "" for b"".

    What is no character (half a pair, an odd last octet) shows as U+FFFD: a patient's reply is never lost
    because a message centre broke an emoji.
    """
    return octets.decode("utf-16-be", errors="replace")


def pack(septets: bytes, *, fill_bits: int = 0) -> bytes:
    """Pack septets into octets, first septet in the lowest bits, after `fill_bits` zero bits (0 to 6).

    The fill brings the first septet after a header to a septet boundary; unused bits at the end are zero
    (3GPP TS 23.038 cl. 6.1.2.1, TS 23.040 cl. 9.2.3.24). b"" packs to b"", also with fill bits.
    """
    if not septets:
        return b""
    bits = 0
    for at, septet in enumerate(septets):
        bits |= septet << (fill_bits + 7 * at)
    return bits.to_bytes((fill_bits + 7 * len(septets) + 7) // 8, "little")


def unpack(octets: bytes, *, count: int, fill_bits: int = 0) -> bytes:
    """Return the `count` septets packed into `octets` after `fill_bits`; the inverse of `pack`.

    The count must come from the message (TP-UDL): seven unused bits look like one more septet, an "@".
    InputError when the octets hold fewer.
    """
    if count and fill_bits + 7 * count > 8 * len(octets):
        raise InputError(f"{len(octets)} octets can't hold {count} septets after {fill_bits} fill bits")
    bits = int.from_bytes(octets, "little") >> fill_bits
    return bytes((bits >> (7 * at)) & 0x7F for at in range(count))


def _shown(table: Mapping[int, str], code: int) -> str:
    try:
        return table[code]
    except KeyError:
        raise InputError(f"octet {code:#04x} is no septet") from None


def _rows(file: str) -> list[dict[str, str]]:
    with (_DATA / file).open(encoding="ascii", newline="") as lines:
        return list(csv.DictReader(lines))


def _table(rows: list[dict[str, str]], column: str, value: str) -> dict[int, str]:
    return {int(row["septet_hex"], 16): chr(int(row["unicode_hex"], 16)) for row in rows if row[column] == value}


def _alphabet(name: str, language_id: int, escaped: dict[int, str]) -> Alphabet:
    # A character that stands in both tables takes the single septet, so the default table is laid on top.
    septets = {char: bytes((ESCAPE, code)) for code, char in escaped.items()}
    septets |= {char: bytes((code,)) for code, char in _DEFAULT.items()}
    return Alphabet(
        name=name,
        language_id=language_id,
        septets_of=MappingProxyType(septets),
        default=MappingProxyType(_DEFAULT),
        escaped=MappingProxyType(escaped),
    )


_DEFAULT_ROWS = _rows("gsm7_default_alphabet.csv")
_SHIFT_ROWS = _rows("gsm7_single_shift.csv")
_DEFAULT = _table(_DEFAULT_ROWS, "table", "default")
del _DEFAULT[ESCAPE]

GSM7 = _alphabet("GSM 7-bit", 0, _table(_DEFAULT_ROWS, "table", "extension"))
"""The alphabet every handset and message centre has."""

SINGLE_SHIFTS: Mapping[str, Alphabet] = MappingProxyType(
    {
        # National language identifiers: 3GPP TS 23.038 cl. 6.2.1.2.4.
        name: _alphabet(f"GSM 7-bit with {name} single shift", nli, _table(_SHIFT_ROWS, "language", name))
        for name, nli in (("turkish", 1), ("spanish", 2), ("portuguese", 3))
    }
)
"""The alphabets that a header must announce, by the name of their language."""
