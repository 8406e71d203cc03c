"""Takes in what transports and hooks bring, durably, before the other side is told that we have it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from datetime import timedelta
from itertools import groupby

from sqlalchemy.orm import Session

from reminders.clock import Clock
from reminders.delivery.failpoints import reach
from reminders.delivery.gathering import store_apart
from reminders.delivery.incoming import Incoming, IncomingPart, IncomingReply, Receipt
from reminders.delivery.receipts import Failure, Ours, ReceiptReport, apply_early, apply_receipts
from reminders.delivery.sms_text import CentreAlphabet, decode_sms
from reminders.records.database import Database
from reminders.records.replies import hold_senders
from reminders.records.reply_parts import Segment, forget_read_before, keep_segment, note_read, segments_before
from reminders.records.unheard import forget_unheard_before, note_heard, unheard_ref

_LOG = logging.getLogger(__name__)
_INCOMPLETE_AFTER = timedelta(minutes=10)
"""A reply whose last segments do not come is read as far as it came: better half of it than nothing."""
_OFFERED_AGAIN_WITHIN = timedelta(hours=1)
"""A centre that did not hear our acknowledgement offers a reply, or a segment of one, again."""
MISSING = " […] "
"""Stands for segments that never came."""


@dataclass
class Intake:
    """Stores and acts in one transaction; safe to call from any thread."""

    database: Database
    clock: Clock
    _: KW_ONLY
    practice_id: str
    take_replies: Callable[[Session, Sequence[IncomingReply]], Sequence[object]]
    """Given the replies, within the transaction; returns something of each."""
    on_failure: Callable[[Session, Failure], object]
    """Given every message that did not arrive, within the transaction."""
    alphabet: CentreAlphabet = "gsm7"
    """What the message centre means by its default one."""

    def __post_init__(self) -> None:
        """Read what names this installation."""
        self._ours = Ours(practice_id=self.practice_id, installation=self.database.installation_name())
        self._offer_key = self.database.link_key()

    def take_in(self, incoming: Sequence[Incoming]) -> None:
        """Store and act on what came in, all of it or nothing."""
        with self.database.writing() as session:
            self.take_in_within(session, incoming)
        reach("after-intake")

    def take_in_apart(self, calls: Sequence[Sequence[Incoming]]) -> list[Exception | None]:
        """Store several calls in one transaction, each all or nothing; return why each failed, or None."""
        return store_apart(calls, lambda some: self.take_in([one for call in some for one in call]))

    def take_in_within(self, session: Session, incoming: Sequence[Incoming]) -> tuple[object, ...]:
        """Do the same in the caller's transaction; return what `take_replies` said to each whole reply."""
        reach("before-intake")
        receipts = [each for each in incoming if isinstance(each, Receipt)]
        now = self.clock.now()
        self._tell(session, apply_receipts(session, receipts, ours=self._ours, now=now))
        if receipts:
            reach("in-receipt")
        written = [each for each in incoming if not isinstance(each, Receipt)]
        if any(isinstance(each, IncomingReply) and each.offer for each in written):
            forget_unheard_before(session, self.practice_id, now - _OFFERED_AGAIN_WITHIN)
        hold_senders(session, {each.sender for each in written if isinstance(each, IncomingPart)})
        whole = [self._whole(session, each) for each in written]
        said = self.take_replies(session, [each for each in whole if each is not None])
        if said:
            reach("in-reply")
        return tuple(said)

    def note_heard(self, incoming: Sequence[Incoming]) -> None:
        """Note that who brought this surely heard that we have it: the same again is another reply."""
        refs = [each.gateway_ref for each in map(self._named, _replies_in(incoming)) if each.gateway_ref]
        with self.database.writing() as session:
            note_heard(session, self.practice_id, refs)

    def catch_up(self) -> ReceiptReport:
        """Apply receipts that came too early, and read replies whose last segments never came; do it every minute."""
        now = self.clock.now()
        with self.database.writing() as session:
            report = apply_early(session, ours=self._ours, now=now)
            self._tell(session, report)
            left = segments_before(session, self.practice_id, now - _INCOMPLETE_AFTER)
            for _, segments in groupby(left, key=lambda each: each[1:5]):
                self.take_replies(session, [self._read(session, tuple(segments))])
            forget_read_before(session, self.practice_id, now - _OFFERED_AGAIN_WITHIN)
        return report

    def _whole(self, session: Session, written: IncomingReply | IncomingPart) -> IncomingReply | None:
        return self._named(written) if isinstance(written, IncomingReply) else self._joined(session, written)

    def _named(self, reply: IncomingReply) -> IncomingReply:
        if reply.offer is None or reply.gateway_ref is not None:
            return reply
        return replace(reply, gateway_ref=unheard_ref(self._offer_key, reply.offer))

    def _joined(self, session: Session, part: IncomingPart) -> IncomingReply | None:
        """Keep a segment; return the reply when this is the last one that was missing."""
        values: dict[str, object] = {name: getattr(part, name) for name in part.__slots__}
        segments = keep_segment(session, self.practice_id, values, self.clock.now())
        return self._read(session, segments) if len(segments) == part.total else None

    def _read(self, session: Session, segments: tuple[Segment, ...]) -> IncomingReply:
        note_read(session, [each.id for each in segments])
        text = join_segments(segments, alphabet=self.alphabet)
        return IncomingReply(channel="sms", sender=segments[0].sender, text=text)

    def _tell(self, session: Session, report: ReceiptReport) -> None:
        if report.unknown:
            _LOG.warning("receipts_about_nothing_of_ours", extra={"count": report.unknown})
        for failure in report.failed:
            self.on_failure(session, failure)


def _replies_in(incoming: Sequence[Incoming]) -> list[IncomingReply]:
    return [each for each in incoming if isinstance(each, IncomingReply)]


def join_segments(segments: Iterable[Segment], *, alphabet: CentreAlphabet = "gsm7") -> str:
    """Return the text of a reply's segments, in order, with a mark where one is missing.

    Neighbours of one coding are joined before they are read: a device may cut an emoji in two.
    """
    found = tuple(segments)
    text, expected = [], 1
    for run in _runs(found):
        if run[0].number != expected:
            text.append(MISSING)
        expected = run[-1].number + 1
        octets = b"".join(each.octets for each in run)
        text.append(decode_sms(octets, run[0].data_coding, shift=run[0].shift, alphabet=alphabet))
    if found and expected <= found[-1].total:
        text.append(MISSING)
    return "".join(text).strip()


def _runs(segments: Sequence[Segment]) -> list[list[Segment]]:
    """Part segments into runs of neighbours of the same coding."""
    runs: list[list[Segment]] = []
    for each in segments:
        last = runs[-1][-1] if runs else None
        if last and (last.number + 1, last.data_coding, last.shift) == (each.number, each.data_coding, each.shift):
            runs[-1].append(each)
        else:
            runs.append([each])
    return runs
