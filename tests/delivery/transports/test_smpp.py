"""What a message centre may do to us, in the order of the day and out of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from types import SimpleNamespace

import pytest
import smpp34

from reminders.delivery.incoming import Arrival, Incoming, IncomingPart, IncomingReply, Receipt
from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports import slowing
from reminders.delivery.transports.smpp_pdu import Address, PduReader, ShortMessage, read_deliver, submit_body
from reminders.delivery.transports.smpp_status import Verdict, verdict_of
from reminders.delivery.transports.smpp_text import read_request, ref_of, requests_of, source_of
from reminders.errors import InDoubt, InputError, Refused, Throttled, Unreachable
from tests.delivery.peers.peer import outgoing
from tests.delivery.peers.smpp import DELIVER_SM, ENQUIRE, UNBIND, SmppPeer, section, text_of
from tests.waiting import until

LONG = "a" * 200


@pytest.fixture
def peer() -> Iterator[SmppPeer]:
    """A centre with a window of ten."""
    opened = SmppPeer()
    yield opened
    opened.close()


def test_answers_are_matched_by_their_number_in_any_order(peer: SmppPeer) -> None:
    peer.hold = []
    results: list[object] = []
    worker = threading.Thread(target=lambda: results.extend(peer.transport.hand_over(outgoing(n) for n in range(3))))
    worker.start()
    until(lambda: len(peer.hold or ()) == 3)
    ids = {sequence: peer.accept(sequence) for sequence in reversed(peer.hold)}
    worker.join()
    assert [each.ref for each in results if isinstance(each, Accepted)] == [ids[each] for each in peer.hold]


def test_a_lost_link_leaves_only_the_unanswered_in_doubt(peer: SmppPeer) -> None:
    peer.hold = []
    results: list[object] = []
    worker = threading.Thread(target=lambda: results.extend(peer.transport.hand_over(outgoing(n) for n in range(4))))
    worker.start()
    until(lambda: len(peer.hold or ()) == 4)
    for sequence in list(peer.hold)[:2]:
        peer.accept(sequence)
    time.sleep(0.1)
    peer.cut()
    worker.join()
    assert [type(each) for each in results] == [Accepted, Accepted, InDoubt, InDoubt]


def test_an_answer_that_never_comes_leaves_the_message_in_doubt_and_makes_a_new_link() -> None:
    peer = SmppPeer(answer_seconds=0.4)
    peer.hold = []
    (result,) = peer.transport.hand_over(iter([outgoing()]))
    peer.hold = None
    (after,) = peer.transport.hand_over(iter([outgoing(2)]))
    peer.close()
    assert isinstance(result, InDoubt)
    assert isinstance(after, Accepted)


def test_a_window_is_never_exceeded() -> None:
    peer = SmppPeer(window=3)
    peer.hold = []
    worker = threading.Thread(target=lambda: list(peer.transport.hand_over(outgoing(n) for n in range(9))))
    worker.start()
    until(lambda: len(peer.hold or ()) == 3)
    time.sleep(0.1)
    held, peer.hold = list(peer.hold), None
    assert len(held) == 3
    for sequence in held:
        peer.accept(sequence)
    worker.join()
    assert len(peer.submits) == 9
    peer.close()


def test_segments_carry_their_header_and_share_a_reference(peer: SmppPeer) -> None:
    (result,) = peer.transport.hand_over(iter([outgoing(300, text=LONG)]))
    # 3GPP TS 23.040 cl. 9.2.3.24.1: 05 00 03 reference total number; the reference is 300 - 256
    assert [each.short_message[:6].hex() for each in peer.submits] == ["0500032c0201", "0500032c0202"]
    assert [each.esm_class for each in peer.submits] == [0x40, 0x40]
    assert [len(each.short_message) for each in peer.submits] == [6 + 153, 6 + 47]
    assert isinstance(result, Accepted)
    assert result.ref == "1 2"


def test_a_centre_that_cuts_by_itself_gets_the_whole_text() -> None:
    peer = SmppPeer(long_messages="message_payload")
    (result,) = peer.transport.hand_over(iter([outgoing(text="á" * 200)]))
    peer.close()
    (submit,) = peer.submits
    assert isinstance(result, Accepted)
    assert (submit.sm_length, submit.esm_class, submit.data_coding) == (0, 0, 8)
    assert text_of(submit) == "á" * 200


def test_a_message_of_which_a_part_was_refused_is_in_doubt(peer: SmppPeer) -> None:
    peer.hold = []
    results: list[object] = []
    worker = threading.Thread(target=lambda: results.extend(peer.transport.hand_over(iter([outgoing(text=LONG)]))))
    worker.start()
    until(lambda: len(peer.hold or ()) == 2)
    peer.accept(peer.hold[0])
    peer.send(0x80000004, status=0x66, sequence=peer.hold[1])
    worker.join()
    assert isinstance(results[0], InDoubt)
    assert "1 of 2 segments" in str(results[0])


def test_only_the_segment_that_came_too_fast_is_repeated(peer: SmppPeer) -> None:
    peer.hold = []
    results: list[object] = []
    worker = threading.Thread(target=lambda: results.extend(peer.transport.hand_over(iter([outgoing(text=LONG)]))))
    worker.start()
    until(lambda: len(peer.hold or ()) == 2)
    peer.accept(peer.hold[0])
    peer.send(0x80000004, status=0x58, sequence=peer.hold[1])
    until(lambda: len(peer.hold or ()) == 3)
    peer.accept(peer.hold[2])
    worker.join()
    assert isinstance(results[0], Accepted)
    assert peer.submits[2].short_message == peer.submits[1].short_message


def test_a_centre_that_takes_nothing_for_haste_holds_no_batch_longer_than_its_lease(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What waits for too long is taken for a dead worker's; a window of fifty was, when each of them waited anew."""
    naps: list[float] = []
    clock = SimpleNamespace(monotonic=lambda: time.monotonic() + sum(naps), sleep=naps.append)
    monkeypatch.setattr(slowing, "time", clock)
    peer = SmppPeer(window=50)
    peer.submit_status = 0x58
    results = list(peer.transport.hand_over(outgoing(n) for n in range(50)))
    peer.close()
    assert {type(each) for each in results} == {Throttled}
    assert sum(naps) < 30


def test_a_wrong_password_is_told_and_not_tried_again_in_haste() -> None:
    peer = SmppPeer(longest_pause_seconds=60)
    until(lambda: peer.transport._bound)
    peer.bind_status = 0x0E
    peer.cut()
    until(lambda: peer.transport._failures > 0)
    (result,) = peer.transport.hand_over(iter([outgoing()]))
    assert isinstance(result, Unreachable)
    assert "ESME_RINVPASWD" in str(result)
    assert peer.transport._failures >= 12
    peer.close()


def test_the_centre_is_asked_whether_it_lives_and_left_when_it_does_not_answer() -> None:
    peer = SmppPeer(enquire_seconds=1, answer_seconds=1)
    peer.is_deaf_to = ENQUIRE
    until(lambda: peer.transport._bound)
    link = peer.transport._bound
    assert link is not None
    until(lambda: not link.is_open)
    assert link._reason == "the message centre does not answer any more"
    peer.close()


def test_the_centres_own_questions_are_answered(peer: SmppPeer) -> None:
    until(lambda: peer.transport._bound)
    peer.send(ENQUIRE, sequence=77)
    peer.send(0x00000103 + 1, sequence=78)
    until(lambda: len(peer.answers) == 2)
    assert peer.answers == [(0x80000015, 0, 77), (0x80000000, 0x03, 78)]


def test_the_centre_may_take_leave_and_is_bound_again(peer: SmppPeer) -> None:
    until(lambda: peer.transport._bound)
    peer.send(UNBIND, sequence=5)
    until(lambda: (0x80000006, 0, 5) in peer.answers)
    # until it is bound again nothing is handed over, and a try says so
    until(lambda: isinstance(next(peer.transport.hand_over(iter([outgoing()]))), Accepted))


def test_what_makes_no_sense_ends_the_connection_not_the_transport(peer: SmppPeer) -> None:
    link = peer.transport._bound
    until(lambda: peer.transport._bound)
    link = peer.transport._bound
    assert link is not None
    assert peer._connection is not None
    peer._connection.sendall(b"\xff" * 40)
    until(lambda: not link.is_open)
    (result,) = peer.transport.hand_over(iter([outgoing()]))
    assert isinstance(result, Accepted)


def test_a_reply_is_acknowledged_after_it_is_stored_and_offered_again_when_it_was_not() -> None:
    stored: list[Incoming] = []
    broken = threading.Event()
    broken.set()

    def take_in(incoming: Sequence[Incoming]) -> None:
        if broken.is_set():
            raise OSError("the disk is full")
        stored.extend(incoming)

    peer = SmppPeer(take_in=take_in)
    until(lambda: peer.transport._bound)
    peer.deliver(b"yes", sequence=1)
    until(lambda: peer.answers)
    assert peer.answers == [(0x80000005, 0x64, 1)]
    assert stored == []
    broken.clear()
    peer.deliver(b"yes", sequence=2)
    until(lambda: len(peer.answers) == 2)
    peer.close()
    assert peer.answers[1] == (0x80000005, 0, 2)
    assert stored == [IncomingReply(channel="sms", sender="+12025550143", text="yes")]


def test_one_reply_that_cannot_be_stored_does_not_keep_the_others_out() -> None:
    stored: list[str] = []
    gate = threading.Event()

    def take_in(incoming: Sequence[Incoming]) -> None:
        gate.wait(3)
        texts = [each.text for each in incoming if isinstance(each, IncomingReply)]
        if "poison" in texts:
            raise ValueError("invented")
        stored.extend(texts)

    peer = SmppPeer(take_in=take_in)
    until(lambda: peer.transport._bound)
    for sequence, text in enumerate((b"first", b"poison", b"last"), start=1):
        peer.deliver(text, sequence=sequence)
    gate.set()
    until(lambda: len(peer.answers) == 3)
    peer.close()
    assert sorted(stored) == ["first", "last"]
    assert sorted(peer.answers) == [(0x80000005, 0, 1), (0x80000005, 0, 3), (0x80000005, 0x64, 2)]


def test_a_deliver_that_is_cut_short_is_answered_and_forgotten(peer: SmppPeer) -> None:
    until(lambda: peer.transport._bound)
    peer.send(DELIVER_SM, b"\0\1\1123", sequence=9)
    until(lambda: peer.answers)
    assert peer.answers == [(0x80000005, 0x65, 9)]
    assert peer.incoming == []


def test_no_secret_and_no_number_stands_in_what_is_printed(peer: SmppPeer) -> None:
    assert "secret" not in repr(peer.transport._section)
    assert "secret" not in repr(vars(peer.transport)["_section"])


# ---- values, no socket ----

SETTINGS = section(2775)


def _read(message: bytes, **fields: object) -> Incoming:
    tlvs = fields.pop("tlvs", {})
    source = Address(ton=1, npi=1, digits="12025550143")
    whole = ShortMessage(
        source=source,
        destination=Address(ton=1, npi=1, digits="12025550100"),
        content=message,
        tlvs=tlvs,  # type: ignore[arg-type]
        **fields,  # type: ignore[arg-type]
    )
    return read_request(read_deliver(submit_body(whole)), SETTINGS, region="US", transport="smpp")


TYPICAL = (
    b"id:0123456789 sub:001 dlvrd:001 submit date:2606101900 done date:2606101901 stat:DELIVRD err:000 Text: Soak the"
)
"""The form of SMPP 3.4 appendix B."""


@pytest.mark.parametrize(
    ("text", "tlvs", "ref", "arrival", "detail"),
    [
        pytest.param(TYPICAL, {}, "0123456789", Arrival.DELIVERED, "DELIVRD", id="as in appendix B"),
        pytest.param(b"ID:abc STAT:undeliv ERR:00b", {}, "abc", Arrival.FAILED, "UNDELIV (error 00b)", id="any case"),
        pytest.param(b"stat:EXPIRED id:1", {}, "1", Arrival.FAILED, "EXPIRED", id="any order"),
        pytest.param(b"id:1 stat:ACCEPTD", {}, "1", Arrival.UNDERWAY, "ACCEPTD", id="accepted is not delivered"),
        pytest.param(b"id:1 stat:ENROUTE", {}, "1", Arrival.UNDERWAY, "ENROUTE", id="under way"),
        pytest.param(b"id:1 stat:REJECTD err:12", {}, "1", Arrival.FAILED, "REJECTD (error 12)", id="rejected"),
        pytest.param(
            b"id:1 stat:DELIVRD text:id:2 stat:UNDELIV",
            {},
            "1",
            Arrival.DELIVERED,
            "DELIVRD",
            id="text that looks like one",
        ),
        pytest.param(
            b"id:1 stat:ENROUTE",
            {0x001E: b"77\0", 0x0427: b"\x02"},
            "77",
            Arrival.DELIVERED,
            "DELIVRD",
            id="parameters win",
        ),
        pytest.param(b"", {0x001E: b"77\0", 0x0427: b"\x05"}, "77", Arrival.FAILED, "UNDELIV", id="parameters alone"),
        pytest.param(
            b"id:1 submit date:260610190000 done date:260610190100 stat:DELIVRD",
            {},
            "1",
            Arrival.DELIVERED,
            "DELIVRD",
            id="dates of 12 digits",
        ),
    ],
)
def test_receipts_are_read_in_any_form(
    text: bytes, tlvs: dict[int, bytes], ref: str, arrival: Arrival, detail: str
) -> None:
    receipt = _read(text, esm_class=0x04, tlvs=tlvs)
    assert receipt == Receipt(transport="smpp", ref=ref, arrival=arrival, detail=detail)


def test_an_unknown_subscriber_is_a_bad_address() -> None:
    receipt = _read(b"id:1 stat:UNDELIV err:001", esm_class=0x04, tlvs={0x0423: b"\x03\x00\x01"})
    assert isinstance(receipt, Receipt)
    assert receipt.bad_address


@pytest.mark.parametrize(
    ("answer", "receipt", "answered", "quoted"),
    [
        pytest.param("decimal", "hexadecimal", "74565", "00012345", id="decimal, then hexadecimal with zeros"),
        pytest.param("hexadecimal", "decimal", "0001E240", "0000123456", id="hexadecimal, then decimal"),
        pytest.param("hexadecimal", "hexadecimal", "00ABCDEF", "abcdef", id="another case"),
        pytest.param("text", "text", "A-1", "A-1", id="plain"),
    ],
)
def test_ids_in_another_radix_are_the_same(answer: str, receipt: str, answered: str, quoted: str) -> None:
    settings = section(2775, answer_ids=answer, receipt_ids=receipt)
    message = ShortMessage(
        source=Address(ton=1, npi=1, digits="1"),
        destination=Address(ton=1, npi=1, digits="2"),
        esm_class=0x04,
        content=f"id:{quoted} stat:DELIVRD".encode(),
    )
    read = read_request(message, settings, region="US", transport="smpp")
    assert isinstance(read, Receipt)
    assert read.ref == ref_of(answered, settings)


@pytest.mark.parametrize(
    ("sender", "ton", "npi", "digits"),
    [
        ("+12025550100", 1, 1, "12025550100"),
        ("12345", 3, 0, "12345"),
        ("Example", 5, 0, "Example"),
        ("2025550100", 0, 1, "2025550100"),
    ],
)
def test_our_own_address_has_its_type(sender: str, ton: int, npi: int, digits: str) -> None:
    assert source_of(section(2775, sender=sender)) == Address(ton=ton, npi=npi, digits=digits)


def test_a_part_of_a_reply_says_which() -> None:
    part = _read(bytes.fromhex("050003AB0302") + b"hello", esm_class=0x40)
    assert isinstance(part, IncomingPart)
    assert (part.reference, part.total, part.number, part.octets) == (0xAB, 3, 2, b"hello")


def test_a_part_announced_by_parameters_is_the_same() -> None:
    part = _read(b"hello", tlvs={0x020C: b"\x00\xab", 0x020E: b"\x03", 0x020F: b"\x02"})
    assert isinstance(part, IncomingPart)
    assert (part.reference, part.total, part.number) == (0xAB, 3, 2)


@pytest.mark.parametrize("text", ["Soak.", "é" * 160, "á" * 70, "€[]", "x" * 161])
def test_requests_are_what_an_independent_codec_reads_and_writes(text: str) -> None:
    for request in requests_of(outgoing(text=text), SETTINGS):
        theirs = smpp34.SubmitSm(
            "12025550100",
            "12025550143",
            request.content,
            source_addr_ton=1,
            source_addr_npi=1,
            dest_addr_ton=1,
            dest_addr_npi=1,
            esm_class=request.esm_class,
            registered_delivery=1,
            data_coding=request.data_coding,
        ).encode()
        assert submit_body(request) == theirs[16:]
        assert read_deliver(theirs[16:]) == request


def test_octets_that_arrive_one_by_one_are_put_together() -> None:
    wire = smpp34.DeliverSm("1", "2", b"yes", sequence_number=7).encode()
    reader = PduReader()
    found = [pdu for at in range(len(wire)) for pdu in reader.feed(wire[at : at + 1])]
    assert [(pdu.command, pdu.sequence) for pdu in found] == [(5, 7)]


@pytest.mark.parametrize("length", [0, 15, 70_001, 0xFFFFFFFF])
def test_a_length_that_cannot_be_ends_the_reading(length: int) -> None:
    with pytest.raises(InputError):
        list(PduReader().feed(length.to_bytes(4, "big") + b"\0" * 12))


def test_a_status_nobody_listed_is_tried_again() -> None:
    assert verdict_of(0x0999) is Verdict.LATER


def test_half_a_surrogate_pair_is_refused_not_raised(peer: SmppPeer) -> None:
    (result,) = peer.transport.hand_over(iter([outgoing(text="\ud83d")]))
    assert isinstance(result, Refused)
