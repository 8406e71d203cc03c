"""HL7 v2 messages that tell of a patient; their fields by HL7 v2.5.1 (chapters 2, 3, 6 and 10, from memory)."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.exchange.hl7_reading import read_hl7

A04 = (
    "MSH|^~\\&|DESK|OFFICE|AFTERCARE|OFFICE|20260610103000-0500||ADT^A04^ADT_A01|MSG00001|P|2.5.1\r"
    "EVN|A04|20260610103000\r"
    "PID|1||4711^^^OFFICE^MR||Invented^Robin^Q||19800102|F|||1 Example Street^^Exampletown||"
    "^PRN^PH^^1^312^5550100~^PRN^CP^^1^312^5550123~^NET^Internet^robin@example.org||spa\r"
    "PV1|1|O\r"
    "PR1|1||0055^Partial nail avulsion^L||20260610100000|D|30\r"
)
S12 = (
    "MSH|^~\\&|BOOK|OFFICE|||20260601090000||SIU^S12^SIU_S12|A-77|P|2.5\n"
    "SCH|A-77|||||||^|45|M|^^^20260610140000\n"
    "PID|1||4712||O\\T\\Invented^Kim||||||||(312)555-0124\n"
    "AIS|1|A|NAIL^Nail procedure|20260610140000-0500|||30|MIN\n"
)


def test_a_registered_patient_is_read_with_the_mobile_number_and_the_end_of_the_procedure() -> None:
    (found,) = read_hl7(A04.encode()).patients
    assert found.reference == "hl7/DESK/OFFICE/MSG00001"
    assert dict(found.values) == {
        "first_name": "Robin",
        "last_name": "Invented",
        "phone": "+13125550123",
        "email": "robin@example.org",
        "language": "es",
        "procedure": "Partial nail avulsion",
        "end": "2026-06-10T10:30",
    }


def test_a_booked_appointment_is_read_with_its_end_and_escapes_are_undone() -> None:
    (found,) = read_hl7(S12.encode()).patients
    assert found.reference == "hl7/BOOK/OFFICE/A-77"
    assert dict(found.values) == {
        "first_name": "Kim",
        "last_name": "O&Invented",
        "phone": "(312)555-0124",
        "procedure": "Nail procedure",
        "end": "2026-06-10T14:30-05:00",
    }


def test_a_file_may_hold_a_batch_and_the_frames_of_a_line() -> None:
    batch = f"FHS|^~\\&\rBHS|^~\\&\r{A04}{S12}BTS|2\rFTS|1\r"
    assert [each.values["first_name"] for each in read_hl7(batch.encode()).patients] == ["Robin", "Kim"]
    framed = b"\x0b" + A04.encode() + b"\x1c\r\x0b" + S12.encode() + b"\x1c\r"
    assert len(read_hl7(framed).patients) == 2


def test_messages_of_other_kinds_are_passed_over() -> None:
    other = A04.replace("ADT^A04", "ADT^A08")
    assert len(read_hl7((other + S12).encode()).patients) == 1
    with pytest.raises(InputError, match="tells of no patient"):
        read_hl7(other.encode())


@pytest.mark.parametrize(
    ("charset", "encoding"), [("UNICODE UTF-8", "utf-8"), ("8859/1", "latin-1"), ("", "utf-8"), ("", "cp1252")]
)
def test_a_name_keeps_its_accents(charset: str, encoding: str) -> None:
    said = A04.replace("|P|2.5.1\r", f"|P|2.5.1||||||{charset}\r").replace("Invented^Robin", "Inventée^Zoë")
    (found,) = read_hl7(said.encode(encoding)).patients
    assert (found.values["last_name"], found.values["first_name"]) == ("Inventée", "Zoë")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no HL7 message"),
        (b"hello", "no HL7 message"),
    ],
)
def test_what_is_no_such_file_is_refused_with_a_reason(content: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_hl7(content)


@pytest.mark.parametrize(
    ("faulty", "says"),
    [
        ("MSH\r", "it is no HL7 v2 message"),
        (A04.replace("MSG00001", ""), "it has no control id"),
        (A04.replace("PID|", "ZID|"), "it has no patient"),
        (A04.replace("|P|2.5.1\r", "|P|2.5.1||||||KLINGON\r"), "character set 'KLINGON'"),
    ],
)
def test_a_faulty_message_is_named_and_keeps_no_other_out(faulty: str, says: str) -> None:
    told = read_hl7((faulty + S12).encode())
    (problem,) = told.problems
    assert problem.startswith("message 1: ")
    assert says in problem
    assert [each.values["first_name"] for each in told.patients] == ["Kim"]


def test_nothing_of_a_message_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("DEBUG"):
        read_hl7(S12.replace("Invented", "Inven\\Xzz\\ted\\").encode())
    assert caplog.text == ""


@pytest.mark.parametrize("moment", ["20260610", "2026061010", "20261340100000", "yesterday", "99999999999999"])
def test_a_moment_that_is_none_is_left_to_the_front_desk(moment: str) -> None:
    (found,) = read_hl7(A04.replace("|20260610100000|D|", f"|{moment}|D|").encode()).patients
    assert "end" not in found.values


@given(st.binary(max_size=400))
def test_no_octets_do_more_than_be_refused(content: bytes) -> None:
    for said in (content, b"MSH|^~\\&|" + content, A04.encode() + content):
        with suppress(InputError):
            read_hl7(said)


@given(st.lists(st.tuples(st.integers(0, len(A04) - 1), st.sampled_from("|^~\\&\rMPX0\x00é")), max_size=12))
def test_no_change_of_a_message_does_more_than_be_refused(changes: list[tuple[int, str]]) -> None:
    said = list(A04)
    for place, character in changes:
        said[place] = character
    try:
        found = read_hl7("".join(said).encode())
    except InputError:
        return
    assert all(len(value) <= 200 for each in found.patients for value in each.values.values())
