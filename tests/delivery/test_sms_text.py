"""What comes in is read, whatever its coding; against a reference library where there is one."""

from __future__ import annotations

import gsm0338
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.delivery.numbers import to_e164
from reminders.delivery.sms_text import Header, decode_sms, split_header
from reminders.wording.sms import split

GSM = "".join(gsm0338.Codec().decode(bytes((code,)))[0] for code in range(128) if code != 0x1B) + "^{}\\[~]|€"


@given(st.text(st.sampled_from(GSM), min_size=1, max_size=60))
def test_the_default_alphabet_is_read_as_the_reference_writes_it(text: str) -> None:
    assert decode_sms(gsm0338.Codec().encode(text)[0], 0) == text


@given(st.text(st.characters(codec="utf-8"), max_size=200), st.integers(0, 255))
def test_what_we_would_send_is_what_we_would_read(text: str, reference: int) -> None:
    read = ""
    for segment in split(text, reference=reference):
        header, octets = split_header(segment.udh + segment.unpacked) if segment.udh else (Header(), segment.unpacked)
        read += decode_sms(octets, segment.data_coding, shift=header.shift)
    assert read == text


@given(st.binary(max_size=300), st.integers(0, 255), st.sampled_from([None, "spanish", "turkish", "portuguese"]))
def test_nothing_that_comes_in_is_too_strange_to_be_read(octets: bytes, data_coding: int, shift: str | None) -> None:
    header, rest = split_header(octets)
    assert 1 <= header.number <= header.total
    assert isinstance(decode_sms(rest, data_coding, shift=shift), str)


@pytest.mark.parametrize(
    ("octets", "data_coding", "text"),
    [
        # SMPP 3.4 section 5.2.19; classes and indications: 3GPP TS 23.038 cl. 4 (from memory)
        pytest.param(b"\x00\x10", 0x00, "@Δ", id="default"),
        pytest.param(b"yes", 0x01, "yes", id="ASCII"),
        pytest.param("sí".encode("latin-1"), 0x03, "sí", id="ISO 8859-1"),
        pytest.param("да".encode("iso8859-5"), 0x06, "да", id="ISO 8859-5"),
        pytest.param("כן".encode("iso8859-8"), 0x07, "כן", id="ISO 8859-8"),
        pytest.param("sí 😀".encode("utf-16-be"), 0x08, "sí 😀", id="UCS-2"),
        pytest.param("sí".encode("utf-16-be"), 0x19, "sí", id="UCS-2 with a class"),
        pytest.param("sí".encode("utf-16-be"), 0xE0, "sí", id="UCS-2 with an indication"),
        pytest.param(b"\x00yes", 0xF1, "@yes", id="default with a class"),
        pytest.param("sí".encode(), 0xF5, "sí", id="octets with a class"),
        pytest.param("sí".encode("latin-1"), 0x00, "sí", id="another default alphabet, seen by an octet above 7F"),
        pytest.param(b"\x00s\x00", 0x08, "s\N{REPLACEMENT CHARACTER}", id="half a unit"),
    ],
)
def test_every_coding_is_read(octets: bytes, data_coding: int, text: str) -> None:
    assert decode_sms(octets, data_coding) == text


def test_a_centre_may_mean_another_default_alphabet() -> None:
    assert decode_sms(b"@x", 0, alphabet="latin1") == "@x"
    assert decode_sms(b"@x", 0) == "¡x"


@pytest.mark.parametrize(
    ("udh", "header"),
    [
        # 3GPP TS 23.040 cl. 9.2.3.24.1 and .8
        pytest.param("050003AB0302", Header(reference=0xAB, total=3, number=2), id="8 bits"),
        pytest.param("060804ABCD0302", Header(reference=0xABCD, total=3, number=2), id="16 bits"),
        pytest.param(
            "080003AB0302240102", Header(reference=0xAB, total=3, number=2, shift="spanish"), id="and a shift"
        ),
        pytest.param("0400020102", Header(), id="too short"),
        pytest.param("050003AB0300", Header(), id="number 0"),
        pytest.param("050003AB0304", Header(), id="number above the total"),
        pytest.param("050003AB0000", Header(), id="total 0"),
        pytest.param("0B0504158A00000003040201", Header(reference=4, total=2, number=1), id="after ports"),
        pytest.param("05000503AB02", Header(), id="an element that runs past the end"),
    ],
)
def test_headers_are_read_and_nonsense_is_passed_over(udh: str, header: Header) -> None:
    found, rest = split_header(bytes.fromhex(udh) + b"rest")
    assert found == header
    assert rest == b"rest"


@pytest.mark.parametrize(
    ("written", "region", "number"),
    [
        ("+12025550143", "GB", "+12025550143"),
        ("12025550143", "US", "+12025550143"),
        ("2025550143", "US", "+12025550143"),
        ("(202) 555-0143", "US", "+12025550143"),
        ("0012025550143", "DE", "+12025550143"),
        ("12025550143", "GB", "+12025550143"),
        # Ofcom's numbers for drama: well formed, and in no use
        ("447700900123", "GB", "+447700900123"),
        ("12345", "US", "12345"),
        ("Example", "US", "Example"),
        ("", "US", ""),
    ],
)
def test_numbers_come_in_as_we_keep_them(written: str, region: str, number: str) -> None:
    assert to_e164(written, region=region) == number
