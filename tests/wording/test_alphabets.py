"""The tables of 3GPP TS 23.038, against two other implementations and published packing examples."""

from __future__ import annotations

import codecs

import gsm0338
import pytest
import smsutil
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.wording.alphabets import (
    GSM7,
    SINGLE_SHIFTS,
    Alphabet,
    decode_ucs2,
    encode_ucs2,
    pack,
    unpack,
)

ALPHABETS = pytest.mark.parametrize("alphabet", [GSM7, *SINGLE_SHIFTS.values()], ids=["default", *SINGLE_SHIFTS])


@ALPHABETS
@given(data=st.data())
def test_decoding_gives_back_what_was_encoded(alphabet: Alphabet, data: st.DataObject) -> None:
    text = data.draw(st.text(st.sampled_from(sorted(alphabet.septets_of))))

    assert alphabet.decode(alphabet.encode(text)) == text


@given(st.text())
def test_ucs2_gives_back_any_text(text: str) -> None:
    assert decode_ucs2(encode_ucs2(text)) == text


@given(st.binary(max_size=400), st.integers(0, 6))
def test_unpacking_gives_back_what_was_packed(octets: bytes, fill_bits: int) -> None:
    septets = bytes(octet & 0x7F for octet in octets)

    assert unpack(pack(septets, fill_bits=fill_bits), count=len(septets), fill_bits=fill_bits) == septets


@ALPHABETS
@given(st.binary())
def test_whatever_septets_arrive_show_as_text(alphabet: Alphabet, octets: bytes) -> None:
    septets = bytes(octet & 0x7F for octet in octets)

    assert len(alphabet.decode(septets)) <= len(septets)


@pytest.mark.parametrize("code", [code for code in range(0x80) if code != 0x1B])
def test_default_table_agrees_with_gsm0338(code: int) -> None:
    shown, _ = gsm0338.Codec().decode(bytes((code,)))

    assert GSM7.decode(bytes((code,))) == shown


@pytest.mark.parametrize("char", sorted(GSM7.septets_of))
def test_default_and_extension_agree_with_smsutil(char: str) -> None:
    assert GSM7.encode(char) == smsutil.encode(char)


@pytest.mark.parametrize("char", sorted(SINGLE_SHIFTS["spanish"].septets_of))
def test_spanish_single_shift_agrees_with_gsm0338(char: str) -> None:
    codec = gsm0338.Codec(single_shift_decode_map=gsm0338.SINGLE_SHIFT_CHARACTER_SET_SPANISH)

    assert SINGLE_SHIFTS["spanish"].encode(char) == codec.encode(char)[0]


# 3GPP TS 23.038 Annex A.2.1 (Turkish), A.2.3 (Portuguese): national letters beyond the default extension.
@pytest.mark.parametrize(
    ("name", "letters"),
    [
        ("turkish", "ĞİŞçğış"),
        ("spanish", "ÁÍÓÚáçíóú"),
        ("portuguese", "êçÔôÁáÊÀÍÓÚÃÕÂíóúãõâ"),
    ],
)
def test_single_shift_holds_the_letters_of_its_language(name: str, letters: str) -> None:
    costs = {letter: len(SINGLE_SHIFTS[name].encode(letter)) for letter in letters}

    assert costs == dict.fromkeys(letters, 2)


# 3GPP TS 23.038 cl. 6.2.1.1: the ten characters of the default extension.
def test_every_single_shift_keeps_the_default_extension() -> None:
    for alphabet in SINGLE_SHIFTS.values():
        assert alphabet.encode("\f^{}\\[~]|€").hex() == "1b0a1b141b281b291b2f1b3c1b3d1b3e1b401b65"


def test_character_of_both_tables_takes_one_septet() -> None:
    assert SINGLE_SHIFTS["portuguese"].encode("Φ") == b"\x12"


@pytest.mark.parametrize(
    ("septets", "shown"),
    [(b"\x1ba", "a"), (b"\x1b\x1b", " "), (b"ab\x1b", "ab "), (b"\x1b\x1b\x1be", " €")],
    ids=["unknown second code", "double escape", "escape at the end", "double escape, then a pair"],
)
def test_broken_escape_shows_as_a_handset_shows_it(septets: bytes, shown: str) -> None:
    assert GSM7.decode(septets) == shown


@pytest.mark.parametrize("septets", [b"\x80", b"a\x1b\xff"], ids=["single", "after an escape"])
def test_octet_above_septets_is_refused(septets: bytes) -> None:
    with pytest.raises(InputError, match="no septet"):
        GSM7.decode(septets)


@pytest.mark.parametrize("char", ["á", "’", "`", "\t", "\x1b", "\u00a0", "😀"])
def test_missing_character_is_refused_and_placed(char: str) -> None:
    with pytest.raises(InputError, match=r"character 3 .* GSM 7-bit"):
        GSM7.encode(f"ab{char}c")


def test_half_a_surrogate_pair_is_refused_and_placed() -> None:
    with pytest.raises(InputError, match=r"character 2 .* half a surrogate pair"):
        encode_ucs2("a\ud83d")


@pytest.mark.parametrize("octets", [b"\x00a\xd8\x3d", b"\x00a\x05"], ids=["half a pair", "odd octet"])
def test_broken_ucs2_shows_a_mark_and_keeps_the_rest(octets: bytes) -> None:
    assert decode_ucs2(octets) == "a\ufffd"


# hellohello: widely published 7-bit tutorial (gsmworld.it); CIAO: L. Spallarossa, "The format of the SMS
# retrieved in PDU mode", 1999; pretty world: accessvba.blogsky.com, "decode SMS-SUBMIT"; hello and the row
# with fill bits: public decoder test fixtures; the last three: computed by hand from cl. 6.1.2.1.
@pytest.mark.parametrize(
    ("text", "fill_bits", "packed"),
    [
        ("hellohello", 0, "E8329BFD4697D9EC37"),
        ("CIAO", 0, "C364F009"),
        ("Hello,my pretty world!", 0, "C8329BFD66B5F320B8BC4CA7E741F7B79C4D0E01"),
        ("hello", 0, "E8329BFD06"),
        ("hellohello", 1, "D06536FB8D2EB3D96F"),
        ("€", 0, "9B32"),
        ("[x]", 0, "1B1E7EE303"),
        ("1234567", 0, "31D98C56B3DD00"),
        ("", 1, ""),
    ],
)
def test_packing_matches_published_examples(text: str, fill_bits: int, packed: str) -> None:
    septets = GSM7.encode(text)

    assert pack(septets, fill_bits=fill_bits).hex().upper() == packed
    assert unpack(bytes.fromhex(packed), count=len(septets), fill_bits=fill_bits) == septets


def test_count_beyond_the_octets_is_refused() -> None:
    with pytest.raises(InputError, match="can't hold 9 septets"):
        unpack(b"\0" * 7, count=9)


def test_seven_unused_bits_are_no_at_sign() -> None:
    octets = pack(GSM7.encode("1234567"))

    assert GSM7.decode(unpack(octets, count=7)) == "1234567"
    assert GSM7.decode(unpack(octets, count=8)) == "1234567@"


def test_ucs2_is_high_octet_first_without_mark() -> None:
    assert encode_ucs2("á😀") == b"\x00\xe1\xd8\x3d\xde\x00"
    assert not encode_ucs2("á").startswith((codecs.BOM_UTF16_BE, codecs.BOM_UTF16_LE))
