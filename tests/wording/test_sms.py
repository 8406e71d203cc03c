"""Cost and cutting of text messages, against published limits, another splitter, and a receiver."""

from __future__ import annotations

import pytest
import smsutil
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.wording.alphabets import GSM7, SINGLE_SHIFTS, decode_ucs2, unpack
from reminders.wording.sms import (
    Encoding,
    Measure,
    Segment,
    costly_characters,
    measure,
    split,
    substitute_typography,
)
from tests.counting import calls_of

ALL_SHIFTS = frozenset(SINGLE_SHIFTS)
SHIFT_CHOICES = st.sets(st.sampled_from(sorted(SINGLE_SHIFTS))).map(frozenset)
# Long texts over few characters: pairs meet the edges of segments.
TEXTS = st.text() | st.text(st.sampled_from("a€[áó😀e\u0301\u200d\r\nşô"), min_size=60, max_size=500)


def received(segment: Segment) -> tuple[str, bytes]:
    """Read TP-UD as a handset does (3GPP TS 23.040 cl. 9.2.3.24): its text, and its concatenation element."""
    elements: dict[int, bytes] = {}
    rest = segment.udh[1:]
    while rest:
        elements[rest[0]] = rest[2 : 2 + rest[1]]
        rest = rest[2 + rest[1] :]
    concatenation = elements.get(0x00, elements.get(0x08, b""))
    size = len(segment.udh)
    assert segment.user_data[:size] == segment.udh
    if segment.data_coding == 0x08:
        return decode_ucs2(segment.user_data[size : segment.udl]), concatenation
    header_septets = -(-8 * size // 7)
    septets = unpack(
        segment.user_data[size:], count=segment.udl - header_septets, fill_bits=header_septets * 7 - 8 * size
    )
    shift = {table.language_id: table for table in SINGLE_SHIFTS.values()}
    alphabet = shift[elements[0x24][0]] if 0x24 in elements else GSM7
    return alphabet.decode(septets), concatenation


@given(TEXTS, SHIFT_CHOICES, st.booleans())
def test_any_text_arrives_whole(text: str, shifts: frozenset[str], wide: bool) -> None:
    segments = split(text, reference=0xAB, wide_reference=wide, shifts=shifts)

    arrived = [received(segment) for segment in segments]
    assert "".join(part for part, _ in arrived) == text
    assert [segment.text for segment in segments] == [part for part, _ in arrived]
    assert all(len(segment.user_data) <= 140 for segment in segments)
    if len(segments) > 1:
        reference = (0xAB).to_bytes(2 if wide else 1, "big")
        expected = [reference + bytes((len(segments), at)) for at in range(1, len(segments) + 1)]
        assert [element for _, element in arrived] == expected


@given(TEXTS, SHIFT_CHOICES, st.booleans())
def test_measure_counts_what_split_sends(text: str, shifts: frozenset[str], wide: bool) -> None:
    measured = measure(text, shifts=shifts, wide_reference=wide)
    segments = split(text, reference=1, wide_reference=wide, shifts=shifts)

    assert measured.segments == len(segments)
    assert {segment.encoding for segment in segments} == {measured.encoding}
    octets = 2 if measured.encoding is Encoding.UCS2 else 1
    assert measured.units * octets == sum(len(segment.unpacked) for segment in segments)


@given(TEXTS)
def test_segments_are_as_many_as_smsutil_counts(text: str) -> None:
    # smsutil 1.1.3 takes a bare escape character for a letter of the alphabet.
    if "\x1b" not in text:
        assert measure(text).segments == len(smsutil.split(text).parts)


@given(TEXTS, SHIFT_CHOICES)
def test_no_allowed_coding_is_cheaper(text: str, shifts: frozenset[str]) -> None:
    chosen = measure(text, shifts=shifts).segments
    possible = [measure(text, shifts=frozenset({name})).segments for name in shifts]
    as_ucs2 = len(smsutil.unicode_split(text).parts)

    assert chosen <= min([*possible, as_ucs2])


# Limits 160/153 and 70/67: 3GPP TS 23.040 cl. 9.2.3.24.1; rows computed from them; characters per segment.
@pytest.mark.parametrize(
    ("text", "units", "characters"),
    [
        ("", 0, [0]),
        ("a" * 160, 160, [160]),
        ("a" * 161, 161, [153, 8]),
        ("a" * 159 + "€", 161, [153, 7]),
        ("a" * 152 + "€" + "b" * 10, 164, [152, 11]),
        ("a" * 306, 306, [153, 153]),
        ("a" * 307, 307, [153, 153, 1]),
        ("á" * 70, 70, [70]),
        ("á" * 71, 71, [67, 4]),
        ("á" * 66 + "😀" + "á" * 10, 78, [66, 11]),
        ("á" * 66 + "e\u0301" + "á" * 10, 78, [66, 12]),
        ("á" * 66 + "e\u0301" + "á" * 66, 134, [67, 67]),
    ],
    ids=[
        "empty", "one full", "one too many", "pair over the edge of one", "pair moves whole", "two full",
        "two and one", "one full ucs2", "one too many ucs2", "surrogates move whole", "cluster moves whole",
        "cluster gives way to a segment saved",
    ],
)  # fmt: skip
def test_boundaries_fall_as_computed(text: str, units: int, characters: list[int]) -> None:
    assert measure(text).units == units
    assert [len(segment.text) for segment in split(text, reference=0)] == characters


# Capacities: floor((140 - header) * 8 / 7) septets, floor((140 - header) / 2) units. The 16-bit reference
# gives 152; the 151 that TS 23.040 V6.0.1 cl. 9.2.3.24.8 prints is an error of that version.
@pytest.mark.parametrize(
    ("character", "wide", "shifts", "alone", "each"),
    [
        ("a", False, [], 160, 153),
        ("a", True, [], 160, 152),
        ("á", False, [], 70, 67),
        ("á", True, [], 70, 66),
        ("á", False, ["spanish"], 77, 74),
        ("á", True, ["spanish"], 77, 74),
    ],
)
def test_capacities_follow_from_the_header(
    character: str, wide: bool, shifts: list[str], alone: int, each: int
) -> None:
    def sizes(count: int) -> list[int]:
        parts = split(character * count, reference=7, wide_reference=wide, shifts=frozenset(shifts))
        return [len(part.text) for part in parts]

    assert sizes(alone) == [alone]
    assert sizes(alone + 1) == [each, alone + 1 - each]


@pytest.mark.parametrize(("wide", "each"), [(False, 149), (True, 148)])
def test_shifted_segments_hold_the_septets_left(wide: bool, each: int) -> None:
    parts = split("á" + "a" * 153, reference=7, wide_reference=wide, shifts=frozenset({"spanish"}))

    assert [len(part.unpacked) for part in parts] == [155]
    parts = split("á" + "a" * 154, reference=7, wide_reference=wide, shifts=frozenset({"spanish"}))
    assert len(parts[0].unpacked) == each


# Element layout: 3GPP TS 23.040 cl. 9.2.3.24.1, .8 and .15; TP-UDL counts header and fill (153 + 7 = 160).
@pytest.mark.parametrize(
    ("text", "options", "udh", "udl"),
    [
        ("a" * 400, {"reference": 0xAB}, "050003ab0301", 160),
        ("a" * 400, {"reference": 0x12AB, "wide_reference": True}, "06080412ab0301", 160),
        ("á" * 150, {"reference": 0xAB}, "050003ab0301", 140),
        ("á" * 150, {"reference": 0xAB, "wide_reference": True}, "06080400ab0301", 139),
        ("á", {"reference": 0, "shifts": frozenset({"spanish"})}, "03240102", 7),
        ("ş" * 75, {"reference": 0xAB, "shifts": frozenset({"turkish"})}, "03240101", 155),
        ("ş" * 150, {"reference": 0xAB, "shifts": frozenset({"turkish"})}, "080003ab0301240101", 159),
        ("a", {"reference": 0xAB}, "", 1),
    ],
)
def test_headers_are_laid_out_as_specified(text: str, options: dict[str, int], udh: str, udl: int) -> None:
    first = split(text, **options)[0]  # type: ignore[arg-type]

    assert first.udh.hex() == udh
    assert first.udl == udl


# The octets after the header 05 00 03 01 02 01 of a public multipart fixture; there the text ends earlier.
def test_packed_text_starts_after_the_fill_bits() -> None:
    first = split("hellohello" + "x" * 200, reference=1)[0]

    assert first.user_data.hex().upper().startswith("050003010201D06536FB8D2EB3D9")


def test_accents_are_not_dropped_to_save_a_segment() -> None:
    text = "¿Cómo está su dedo? Responda SI o NO."

    assert measure(text) == Measure(encoding=Encoding.UCS2, shift=None, units=37, segments=1)
    assert [segment.text for segment in split(text, reference=0)] == [text]


def test_single_shift_is_used_only_when_allowed() -> None:
    text = "¿Cómo está su dedo? Responda SI o NO."

    allowed = measure(text, shifts=ALL_SHIFTS)

    assert (allowed.encoding, allowed.shift, allowed.units) == (Encoding.GSM7_SHIFT, "portuguese", 39)
    assert measure(text, shifts=frozenset({"turkish"})).encoding is Encoding.UCS2


def test_default_alphabet_wins_when_it_suffices() -> None:
    assert measure("Año nuevo: 5 €", shifts=ALL_SHIFTS).encoding is Encoding.GSM7


def test_unknown_shift_table_is_refused() -> None:
    with pytest.raises(InputError, match="'klingon'; there are turkish"):
        measure("a", shifts=frozenset({"klingon"}))


@pytest.mark.parametrize("text", ["\ud83d", "a\ude00b", "\ude00\ud83d"])
def test_half_a_surrogate_pair_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="half a surrogate pair"):
        measure(text)
    with pytest.raises(InputError, match="half a surrogate pair"):
        split(text, reference=0)


@pytest.mark.parametrize(("reference", "wide"), [(-1, False), (256, False), (65536, True)])
def test_reference_must_fit_its_header(reference: int, wide: bool) -> None:
    with pytest.raises(InputError, match="does not fit"):
        split("a", reference=reference, wide_reference=wide)


def test_more_than_255_segments_are_refused() -> None:
    assert len(split("a" * 255 * 153, reference=0)) == 255
    with pytest.raises(InputError, match="256 segments"):
        split("a" * (255 * 153 + 1), reference=0)


def test_cluster_longer_than_a_segment_is_cut_between_characters() -> None:
    text = "a" + "\u0301" * 100

    assert [len(segment.text) for segment in split(text, reference=0)] == [67, 34]


def test_costly_characters_are_named_and_placed() -> None:
    found = costly_characters("Don’t soak — 5 € é \u0378")

    assert [(one.offset, one.character, one.name) for one in found] == [
        (3, "’", "RIGHT SINGLE QUOTATION MARK"),
        (11, "—", "EM DASH"),
        (19, "\u0378", "U+0378"),
    ]


@given(TEXTS)
def test_only_costly_characters_leave_the_default_alphabet(text: str) -> None:
    assert bool(costly_characters(text)) == (measure(text).encoding is not Encoding.GSM7)


def test_typography_becomes_ascii() -> None:
    assert substitute_typography("“Don’t” – wait… 8:00\u202fPM\u00a0«ok»") == '"Don\'t" - wait... 8:00 PM "ok"'


@given(st.text(st.characters(categories=("L", "M", "N"))))
def test_substitution_never_changes_a_letter(text: str) -> None:
    assert substitute_typography(text) == text


@pytest.mark.parametrize("tail", ["", "ó€[]", "日", "🦶"])
def test_measuring_asks_python_once_a_segment_at_most_and_not_once_a_letter(tail: str) -> None:
    """So a crowd is enrolled with thirty texts each in no time."""
    text = f"Soak it in warm water for 10 minutes, then pat it dry. {tail}" * 40
    assert calls_of(measure, text) < 20 + measure(text).segments
