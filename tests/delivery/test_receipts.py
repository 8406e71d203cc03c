"""Receipts that come twice, never, too early, in another order, or about somebody else's message."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pytest
from sqlalchemy import select

from reminders.clock import VirtualClock
from reminders.delivery.incoming import Arrival, Incoming, IncomingPart, IncomingReply, Receipt
from reminders.delivery.intake import MISSING, Intake
from reminders.delivery.receipts import KEPT_FOR, Failure
from reminders.records import outbox
from reminders.records.database import Database
from reminders.records.message_changes import Held, accept
from reminders.records.outbox import Claim, Queue
from reminders.records.tables_delivery import EARLY_RECEIPTS, MESSAGE_PARTS, REPLY_PARTS
from tests.stored import NOON, add_course, into, messages, row, states, store

D, F, U = Arrival.DELIVERED, Arrival.FAILED, Arrival.UNDERWAY


class _Office:
    """An intake that notes what it is given."""

    def __init__(self, database: Database) -> None:
        self.clock = VirtualClock(NOON)
        self.replies: list[IncomingReply] = []
        self.failures: list[Failure] = []
        self.database = database
        self.intake = Intake(
            database,
            self.clock,
            practice_id="main",
            take_replies=into(self.replies),
            on_failure=lambda _, failure: self.failures.append(failure),
        )

    def take(self, *incoming: Incoming) -> None:
        self.intake.take_in(incoming)

    def claim(self) -> Sequence[Held]:
        """Take every scheduled message into a worker's hands."""
        with self.database.writing() as session:
            ids = [each.id for each in outbox.due_messages(session, Queue("main", "sms"), now=NOON, limit=10)]
            by = Claim(token="t", practice_id="main", now=NOON, lease=timedelta(minutes=2), transport="smpp")
            assert outbox.claim(session, ids, by) == len(ids)
        return [Held(id=each, token="t") for each in sorted(ids)]

    def settle(self, held: Held, ref: str) -> None:
        with self.database.writing() as session:
            assert accept(session, "main", [(held, ref)], NOON) == 1

    def count(self, table: object) -> int:
        with self.database.reading() as session:
            return len(session.connection().execute(select(table)).all())  # type: ignore[call-overload]


@pytest.fixture
def office(database: Database) -> _Office:
    """One message that waits, and an intake."""
    add_course(database)
    store(database, row())
    return _Office(database)


def _receipt(arrival: Arrival, ref: str | None = "r1", **changes: object) -> Receipt:
    return Receipt(transport="smpp", ref=ref, arrival=arrival, detail="UNDELIV" if arrival is F else "", **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("arrivals", "state", "failures"),
    [
        pytest.param([D], "delivered", 0, id="delivered"),
        pytest.param([F], "failed", 1, id="failed"),
        pytest.param([U], "sent", 0, id="under way"),
        pytest.param([D, D], "delivered", 0, id="delivered twice"),
        pytest.param([F, F], "failed", 1, id="failed twice is told once"),
        pytest.param([D, F], "delivered", 0, id="delivered stays"),
        pytest.param([D, U], "delivered", 0, id="out of order"),
        pytest.param([F, U], "failed", 1, id="failed stays"),
        pytest.param([F, D], "delivered", 1, id="delivered after all"),
        pytest.param([U, F, U, D, F, U], "delivered", 1, id="all in disorder"),
    ],
)
@pytest.mark.parametrize("together", [True, False], ids=["at once", "one by one"])
def test_a_final_word_never_goes_back(
    office: _Office, arrivals: list[Arrival], state: str, failures: int, together: bool
) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")
    if together:
        office.take(*map(_receipt, arrivals))
    else:
        for arrival in arrivals:
            office.take(_receipt(arrival))
    assert states(office.database) == [state]
    assert len(office.failures) == failures


def test_the_reason_of_a_failure_is_kept_and_told(office: _Office) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")
    office.take(_receipt(F, bad_address=True))
    assert messages(office.database)[0].detail == "not delivered: UNDELIV"
    assert office.failures == [Failure(message_id=held.id, detail="UNDELIV", bad_address=True)]


def test_a_receipt_about_nothing_of_ours_changes_nothing_and_is_counted_in_the_end(office: _Office) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")
    office.take(_receipt(D, "somebody else's"), _receipt(D, None, key="another-1"), _receipt(D, None, key="x"))
    assert states(office.database) == ["sent"]
    assert office.intake.catch_up().unknown == 0
    office.clock.advance(KEPT_FOR + timedelta(seconds=1))
    assert office.intake.catch_up().unknown == 3
    assert office.count(EARLY_RECEIPTS) == 0


def test_a_receipt_that_comes_before_the_answer_is_settled_is_not_lost(office: _Office) -> None:
    (held,) = office.claim()
    office.take(_receipt(D))
    assert states(office.database) == ["sending"]
    assert office.intake.catch_up().delivered == 0
    office.settle(held, "r1")
    assert office.intake.catch_up().delivered == 1
    assert states(office.database) == ["delivered"]
    assert office.count(EARLY_RECEIPTS) == 0


def test_a_receipt_by_our_own_key_waits_for_the_worker_too(office: _Office) -> None:
    (held,) = office.claim()
    key = f"{office.database.installation_name()}-{held.id}"
    office.take(_receipt(F, None, key=key))
    assert states(office.database) == ["sending"]
    office.settle(held, "whatever")
    office.intake.catch_up()
    assert states(office.database) == ["failed"]
    assert len(office.failures) == 1


def test_a_receipt_of_another_transport_is_not_mistaken(office: _Office) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")
    office.take(Receipt(transport="http", ref="r1", arrival=D))
    assert states(office.database) == ["sent"]


def test_a_reference_used_again_means_the_latest_message(office: _Office) -> None:
    store(office.database, row(2, send_at=NOON))
    first, second = office.claim()
    office.settle(first, "r1")
    office.settle(second, "r1")
    office.take(_receipt(D))
    assert states(office.database) == ["sent", "delivered"]


@pytest.mark.parametrize(
    ("receipts", "state"),
    [
        pytest.param([("a", D)], "sent", id="one of three"),
        pytest.param([("a", D), ("a", D), ("a", D)], "sent", id="one of three, thrice"),
        pytest.param([("c", D), ("a", D), ("b", D)], "delivered", id="all, in any order"),
        pytest.param([("a", D), ("b", F)], "failed", id="one failed"),
        pytest.param([("b", F), ("a", D), ("c", D), ("b", D)], "delivered", id="the failed one arrived after all"),
        pytest.param([("a", D), ("b", D), ("c", D), ("c", F)], "delivered", id="delivered stays"),
    ],
)
def test_a_message_is_delivered_when_all_its_segments_are(
    office: _Office, receipts: list[tuple[str, Arrival]], state: str
) -> None:
    (held,) = office.claim()
    office.settle(held, "a b c")
    for ref, arrival in receipts:
        office.take(_receipt(arrival, ref))
    assert states(office.database) == [state]
    assert len(office.failures) <= 1


def test_receipts_of_segments_may_come_too_early_too(office: _Office) -> None:
    (held,) = office.claim()
    office.take(_receipt(D, "a"), _receipt(D, "b"))
    office.settle(held, "a b")
    office.intake.catch_up()
    assert states(office.database) == ["delivered"]


def test_a_late_settlement_leaves_no_segments(office: _Office) -> None:
    (held,) = office.claim()
    with office.database.writing() as session:
        assert accept(session, "main", [(Held(id=held.id, token="another"), "a b")], NOON) == 0
    assert office.count(MESSAGE_PARTS) == 0


def test_what_cannot_be_acted_on_takes_all_back(office: _Office) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")

    def broken(*_: object) -> Sequence[object]:
        raise OSError("invented")

    intake = Intake(office.database, office.clock, practice_id="main", take_replies=broken, on_failure=broken)
    with pytest.raises(OSError, match="invented"):
        intake.take_in([_receipt(D), IncomingReply(channel="sms", sender="+12025550143", text="yes")])
    assert states(office.database) == ["sent"]


def _part(number: int, octets: bytes, *, total: int = 3, data_coding: int = 0, reference: int = 7) -> IncomingPart:
    return IncomingPart(
        sender="+12025550143",
        recipient="+12025550100",
        reference=reference,
        total=total,
        number=number,
        data_coding=data_coding,
        shift=None,
        octets=octets,
    )


@pytest.mark.parametrize("order", [(1, 2, 3), (3, 1, 2), (2, 2, 3, 1, 1)])
def test_a_long_reply_is_read_when_its_last_segment_came(office: _Office, order: tuple[int, ...]) -> None:
    parts = {1: b"It hurts ", 2: b"a lot and ", 3: b"bleeds"}
    for number in dict.fromkeys(order):
        office.take(*(_part(number, parts[number]) for _ in range(order.count(number))))
    assert [reply.text for reply in office.replies] == ["It hurts a lot and bleeds"]
    assert office.replies[0].sender == "+12025550143"
    office.clock.advance(timedelta(hours=2))
    office.intake.catch_up()
    assert len(office.replies) == 1
    assert office.count(REPLY_PARTS) == 0


def test_a_number_used_again_is_another_reply(office: _Office) -> None:
    for text in (b"no", b"yes"):
        office.take(_part(1, text + b", it ", total=2), _part(2, text + b" hurts", total=2))
    assert [reply.text for reply in office.replies] == ["no, it no hurts", "yes, it yes hurts"]


def test_an_emoji_cut_in_two_is_whole_again(office: _Office) -> None:
    octets = "me duele 😀 hoy".encode("utf-16-be")
    office.take(_part(1, octets[:20], total=2, data_coding=8), _part(2, octets[20:], total=2, data_coding=8))
    assert [reply.text for reply in office.replies] == ["me duele 😀 hoy"]


def test_two_long_replies_at_once_are_not_mixed(office: _Office) -> None:
    office.take(_part(1, b"one ", total=2), _part(1, b"three ", total=2, reference=8))
    office.take(_part(2, b"four", total=2, reference=8), _part(2, b"two", total=2))
    assert [reply.text for reply in office.replies] == ["three four", "one two"]


def test_a_reply_whose_last_segment_never_comes_is_read_as_far_as_it_came(office: _Office) -> None:
    office.take(_part(1, b"bleeding since "), _part(3, b"please call"))
    office.clock.advance(timedelta(minutes=9))
    office.intake.catch_up()
    assert office.replies == []
    office.clock.advance(timedelta(minutes=2))
    office.intake.catch_up()
    assert [reply.text for reply in office.replies] == [f"bleeding since {MISSING}please call"]
    office.intake.catch_up()
    assert len(office.replies) == 1


def test_a_receipt_is_about_a_message_of_the_practice_whose_gateway_sent_it(office: _Office) -> None:
    (held,) = office.claim()
    office.settle(held, "r1")
    other = _of_another_practice(office)
    other.take_in([_receipt(F, "r1")])
    assert states(office.database) == ["sent"]
    assert other.catch_up().delivered == 0
    office.take(_receipt(D, "r1"))
    assert states(office.database) == ["delivered"]


def test_half_a_reply_to_another_practice_is_read_by_nobody_else(office: _Office) -> None:
    read: list[IncomingReply] = []
    other = _of_another_practice(office, read)
    other.take_in([_part(1, b"it bleeds")])
    office.clock.move_to(NOON + timedelta(minutes=11))
    office.intake.catch_up()
    assert office.replies == []
    other.catch_up()
    assert [each.text for each in read] == ["it bleeds […]"]


def _of_another_practice(office: _Office, read: list[IncomingReply] | None = None) -> Intake:
    """The intake of a practice that shares the database."""
    return Intake(
        office.database,
        office.clock,
        practice_id="other",
        take_replies=into([] if read is None else read),
        on_failure=lambda _, failure: None,
    )
