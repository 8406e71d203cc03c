"""Lets receipts happen to messages: twice, in any order, before the hand-over was settled, or about nothing of ours."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import func, literal
from sqlalchemy.orm import Session

from reminders.delivery.incoming import Arrival, Receipt
from reminders.delivery.sends_told import note_receipts
from reminders.records import receipts as records
from reminders.records.heartbeats import RECEIPTS, beat, last_beat
from reminders.records.message_changes import change_by_id
from reminders.records.message_states import MessageEvent, MessageState
from reminders.records.other_ways import take_back_stand_in
from reminders.records.tables import MESSAGES
from reminders.sentences import english

_SETTLED_AT = MESSAGES.c.settled_at
KEPT_FOR = timedelta(days=2)
"""How long a receipt waits for its message; the longest lease is an hour, and centres try for a day or two."""
_EARLY_AT_ONCE = 500
_NOTED_EVERY = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A message that did not arrive in the end."""

    message_id: int
    detail: str
    bad_address: bool
    """Nothing sent to that address will ever arrive."""
    surely: bool = True
    """Whether no part of it arrived either."""


@dataclass(kw_only=True)
class ReceiptReport:
    """What receipts changed."""

    arrived: list[int] = field(default_factory=list)
    """The numbers of the messages that are delivered."""
    failed: list[Failure] = field(default_factory=list)
    unchanged: int = 0
    """Said before, overtaken by a final one, or not final itself."""
    early: int = 0
    """About a message not known yet; kept."""
    unknown: int = 0
    """Kept long enough, and still about no message of ours; dropped."""

    @property
    def delivered(self) -> int:
        """How many messages are delivered."""
        return len(self.arrived)


@dataclass(frozen=True, kw_only=True)
class Ours:
    """Whose messages receipts may be about."""

    practice_id: str
    installation: str
    """What our own keys begin with."""


def apply_receipts(session: Session, receipts: Iterable[Receipt], *, ours: Ours, now: datetime) -> ReceiptReport:
    """Apply receipts in the caller's transaction; one about an unknown message is kept for `apply_early`.

    A message of several segments is delivered when all are, and
    failed as soon as one is. What is delivered stays so; what failed may still turn out to be delivered.
    """
    report = ReceiptReport()
    early: list[dict[str, object]] = []
    for receipt in receipts:
        if receipt.arrival is Arrival.UNDERWAY:
            report.unchanged += 1
        elif not _apply(session, receipt, ours, report, now):
            early.append(
                {
                    "practice_id": ours.practice_id,
                    "transport": receipt.transport,
                    "ref": receipt.ref,
                    "key": receipt.key,
                    "arrival": receipt.arrival.value,
                    "detail": receipt.detail,
                    "bad_address": receipt.bad_address,
                    "received_at": now,
                }
            )
    records.keep_early(session, early)
    report.early = len(early)
    _note(session, report, ours, now)
    return report


def apply_early(session: Session, *, ours: Ours, now: datetime) -> ReceiptReport:
    """Apply the receipts that were kept and whose message is known by now; drop the old ones and count them."""
    report = ReceiptReport()
    waiting = {
        each.id: each
        for find in (records.early_with_message, records.early_with_key)
        for each in find(session, ours.practice_id, limit=_EARLY_AT_ONCE)
    }
    done = []
    for each in waiting.values():
        receipt = Receipt(
            transport=each.transport,
            arrival=Arrival(each.arrival),
            ref=each.ref,
            key=each.key,
            detail=each.detail,
            bad_address=each.bad_address,
        )
        if _apply(session, receipt, ours, report, now):
            done.append(each.id)
    records.forget_early(session, done)
    report.unknown = records.forget_early_before(session, ours.practice_id, now - KEPT_FOR)
    _note(session, report, ours, now)
    return report


def _note(session: Session, report: ReceiptReport, ours: Ours, now: datetime) -> None:
    if report.arrived or report.failed:
        last = last_beat(session, ours.practice_id, RECEIPTS)
        # Seldom: receipts that come at the same moment need not wait for each other because of it.
        if last is None or not timedelta(0) <= now - last < _NOTED_EVERY:
            beat(session, ours.practice_id, RECEIPTS, now)
    note_receipts(session, ours.practice_id, (report.arrived, [each.message_id for each in report.failed]), now)


def _apply(session: Session, receipt: Receipt, ours: Ours, report: ReceiptReport, now: datetime) -> bool:
    """Apply one receipt; False when its message is not known, or still in a worker's hands."""
    found = _find(session, receipt, ours)
    if found is None or found.state is MessageState.SENDING:
        return False
    arrival = receipt.arrival
    surely = True
    if found.part is not None and found.whole is not None:
        records.note_part(session, found.part, arrival.value)
        arrivals = records.part_arrivals(session, found.message_id, found.whole)
        arrival = _of_all(arrivals)
        surely = set(arrivals) == {Arrival.FAILED}
    event = {Arrival.DELIVERED: MessageEvent.DELIVER, Arrival.FAILED: MessageEvent.BOUNCE}.get(arrival)
    values = {
        "detail": _detail(receipt, arrival),
        "settled_at": func.coalesce(_SETTLED_AT, literal(now, _SETTLED_AT.type)),
    }
    if event is None or not change_by_id(session, event, found.message_id, **values):
        report.unchanged += 1
    elif event is MessageEvent.DELIVER:
        take_back_stand_in(session, found.message_id)
        report.arrived.append(found.message_id)
    else:
        detail = receipt.detail or english("not delivered")
        report.failed.append(
            Failure(message_id=found.message_id, detail=detail, bad_address=receipt.bad_address, surely=surely)
        )
    return True


def _find(session: Session, receipt: Receipt, ours: Ours) -> records.Found | None:
    if receipt.ref:
        found = records.message_by_ref(session, ours.practice_id, receipt.transport, receipt.ref)
        if found is not None:
            return found
    prefix, _, number = (receipt.key or "").rpartition("-")
    if prefix == ours.installation and number.isascii() and number.isdecimal() and len(number) <= 18:
        return records.message_by_id(session, int(number))
    return None


def _of_all(arrivals: tuple[str, ...]) -> Arrival:
    if Arrival.FAILED in arrivals:
        return Arrival.FAILED
    return Arrival.DELIVERED if set(arrivals) == {Arrival.DELIVERED} else Arrival.UNDERWAY


def _detail(receipt: Receipt, arrival: Arrival) -> str | None:
    return english("not delivered: {why}").format(why=receipt.detail) if arrival is Arrival.FAILED else None
