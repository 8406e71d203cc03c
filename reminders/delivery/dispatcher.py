"""Takes due messages through the gate, hands them over, and writes down what became of them."""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from random import Random

from sqlalchemy.orm import Session

from reminders.clock import Clock
from reminders.delivery.admission import Admission, Admitted
from reminders.delivery.failpoints import reach
from reminders.delivery.gate import Gate, Go, Wait
from reminders.delivery.lease import Stopwatch
from reminders.delivery.outgoing import Accepted, LookUp, OtherWay, Outgoing, Result, VisitToTell, no_other_way
from reminders.delivery.report import DispatchReport
from reminders.delivery.second_look import SecondLook
from reminders.delivery.sends_told import note_settled, note_withheld
from reminders.delivery.settle import NotTaken, Outcome, Settler
from reminders.delivery.transports import Transport
from reminders.delivery.visits_told import visits_told
from reminders.errors import InDoubt, StateError, TransportError
from reminders.records import outbox
from reminders.records.database import Database, Writing
from reminders.records.outbox import Claim, DueMessage, LapsedMessage, Queue
from reminders.records.wakeups import wakeups_of
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_LAPSED_AT_ONCE = 500


@dataclass(frozen=True, kw_only=True)
class DispatchRules:
    """What the configuration says about dispatching."""

    gate: Gate
    concern_due: Callable[[str, datetime], datetime]
    """When a concern of an urgency, opened at an instant, has to be dealt with."""
    lease: timedelta = timedelta(minutes=2)
    """How long a batch is one worker's; far longer than its hand-over takes."""
    admission: Admission = field(default_factory=Admission)
    """How many messages may be claimed now; one for each worker."""
    other_way: OtherWay = no_other_way
    random: Random = field(default_factory=Random)
    """Spreads the tries of many messages that failed together."""
    observe: Callable[[str, DispatchReport], None] = lambda _transport, _report: None
    """Told after every round, also one in which nothing was due, what was settled in it over a transport."""


@dataclass(frozen=True, kw_only=True)
class _Batch:
    """Messages that this worker claimed."""

    queue: Queue
    messages: tuple[DueMessage, ...]
    token: str
    stopwatch: Stopwatch
    visits: Mapping[int, VisitToTell]
    """By the id of the message that tells it."""


class Dispatcher:
    """One worker. Any number may run on one database; each message is in one worker's hands at a time.

    No transaction is open while a message is handed over, and the outcome of a hand-over is durable before the
    next batch is claimed: what is in doubt after a crash is at most one batch.
    """

    def __init__(
        self, database: Database, clock: Clock, transports: Mapping[str, Transport], rules: DispatchRules
    ) -> None:
        """Dispatch what is due in `database` for the practices the gate knows, over the transport of each channel."""
        self._database = database
        self._clock = clock
        self._transports = dict(transports)
        self._practices = tuple(rules.gate.quiet_hours)
        self._queues = tuple(Queue(practice, channel) for practice in self._practices for channel in transports)
        self._gate = rules.gate
        self._observe = rules.observe
        self._admission = rules.admission
        self._lease = rules.lease
        self._settler = Settler(concern_due=rules.concern_due, random=rules.random, other_way=rules.other_way)
        self._installation = database.installation_name()
        self._unsettled: list[Outcome] = []
        self._unsettled_of = Queue("", "")
        self._stop = threading.Event()
        self._wakeups = wakeups_of(database.engine, self._practices)

    @property
    def channels(self) -> tuple[str, ...]:
        """What it dispatches."""
        return tuple(self._transports)

    def run_once(self, limit: int | None = None) -> DispatchReport:
        """Dispatch everything that is due, or the first `limit` messages of each queue; return what happened.

        The queues take turns, a batch each, so that a long one keeps no other waiting. What the pace does not allow
        yet, and what has no way out now, stays where it is; `next_at` tells when to come back.

        When the database fails, its error is raised; what was handed over is settled by the next call.
        """
        report = DispatchReport()
        self._recover(report)
        left = dict.fromkeys(self._queues, limit)
        with self._database.writing_often() as writing:
            while left:
                for queue, most in tuple(left.items()):
                    size = self._transports[queue.channel].capabilities.batch_size
                    taken = self._run_batch(writing, queue, size if most is None else min(size, most), report)
                    if not taken:
                        del left[queue]
                    elif most is not None:
                        left[queue] = most - taken
        return report

    def next_at(self) -> datetime | None:
        """Return when there is something to do next; None when nothing waits."""
        with self._database.reading() as session:
            moments = [
                self._admission.not_before(queue, due_at)
                for queue in self._queues
                if (due_at := outbox.next_due_at(session, queue)) is not None
            ]
            lapses = [outbox.next_lapse_at(session, practice) for practice in self._practices]
        return min((*moments, *(each for each in lapses if each is not None)), default=None)

    def watch(self) -> None:
        """From now on, what others store counts for `pause`."""
        self._wakeups.mark()

    def pause(self, *, at_most: timedelta, idle: bool) -> bool:
        """Wait until something is due, also what others store meanwhile; False when the dispatcher was stopped.

        `idle` says that nothing happened since `watch`. What is due all the same is in other hands or can't be had
        now, and does not end the pause.
        """
        ends = time.monotonic() + at_most.total_seconds()
        while not self._stop.is_set() and (left := ends - time.monotonic()) > 0:
            if not idle:
                self._wakeups.mark()
            next_at = self.next_at()
            away = left if next_at is None else (next_at - self._clock.now()).total_seconds()
            if away <= 0 and not idle:
                break
            woken = self._wakeups.wait(min(away, left) if away > 0 else left)
            if away <= 0 or not woken:
                break
            idle = False
        return not self._stop.is_set()

    def stop(self) -> None:
        """Let the present call end after the batch in hand; later calls claim nothing. May be called by any thread."""
        self._stop.set()
        self._wakeups.interrupt()

    def close(self) -> None:
        """Close the transports."""
        self._wakeups.close()
        for transport in set(self._transports.values()):
            transport.close()

    def _run_batch(self, writing: Writing, queue: Queue, size: int, report: DispatchReport) -> int:
        """Settle, then hand over a batch of at most `size`; return how many messages were due, 0 when it is done."""
        due, batch = self._settle_and_claim(writing, queue, 0 if self._stop.is_set() else size, report)
        if batch is not None:
            self._hand_over(batch, self._transports[queue.channel])
        return due

    def _settle_and_claim(
        self, writing: Writing, queue: Queue, size: int, report: DispatchReport
    ) -> tuple[int, _Batch | None]:
        """Settle the last batch and claim the next in one commit; return how many were due, and the batch."""
        settling = bool(self._unsettled)
        gated = DispatchReport()
        with writing() as session:
            now = self._clock.now()  # once the turn has come: a pace reckoned from before it would let too many go
            done = self._settle(session, now)
            if settling:
                reach("before-settle")
            admitted = self._admission.admit(session, queue, now=now, wanted=size) if size else Admitted()
            going = self._judge(session, admitted, now, gated)
            batch = self._claim(session, queue, going, now) if going else None
            self._admission.claimed(session, queue, admitted, len(going), now=now)
        self._unsettled = []
        report.add(done)
        report.add(gated)
        if settling:
            self._observe(self._transports[self._unsettled_of.channel].name, done)
        self._observe(self._transports[queue.channel].name, gated)
        if settling:
            reach("after-settle")
        if batch:
            reach("after-claim")
        return len(admitted.due), batch

    def _settle(self, session: Session, now: datetime) -> DispatchReport:
        refused = self._admission.everything_is_refused(self._unsettled_of, self._unsettled)
        done = self._settler.settle(session, self._unsettled, now, everything_is_refused=refused)
        if self._unsettled:
            queue = self._unsettled_of
            note_settled(session, queue.practice_id, self._unsettled, now)
            broken = self._admission.learn(session, queue, self._unsettled, now=now)
            if broken is not None:
                self._settler.tell_of_broken(session, queue, broken, now)
        return done

    def _judge(self, session: Session, admitted: Admitted, now: datetime, report: DispatchReport) -> list[DueMessage]:
        """Return the messages that the gate lets go now, and write down what becomes of the others."""
        going: list[DueMessage] = []
        withheld: list[DueMessage] = []
        for message in admitted.due:
            verdict = self._gate.judge(message, now)
            if isinstance(verdict, Go):
                going.append(message)
            elif isinstance(verdict, Wait):
                self._settler.wait(session, message, verdict)
                report.waits += 1
            else:
                # Staff who know that nothing goes out are not told of every message that became useless by that.
                if admitted.health.told_at is not None:
                    verdict = replace(verdict, tell_staff=False)
                self._settler.withhold(session, message, verdict, now)
                withheld.append(message)
        report.withheld += len(withheld)
        if withheld:
            note_withheld(session, withheld[0].practice_id, (each.id for each in withheld), now)
        return going

    def _claim(self, session: Session, queue: Queue, going: Sequence[DueMessage], now: datetime) -> _Batch:
        token = uuid.uuid4().hex
        transport = self._transports[queue.channel].name
        claim = Claim(token=token, practice_id=queue.practice_id, now=now, lease=self._lease, transport=transport)
        reach("before-claim")
        if outbox.claim(session, [message.id for message in going], claim) != len(going):
            raise StateError(english("a message that was locked for claiming changed its state; nothing was claimed"))
        reach("in-claim")
        visits = visits_told(session, going, self._installation)
        return _Batch(queue=queue, messages=tuple(going), token=token, stopwatch=Stopwatch(self._lease), visits=visits)

    def _hand_over(self, batch: _Batch, transport: Transport) -> None:
        """Hand a batch over and keep what became of it until it can be settled."""
        reach("before-hand-over")
        taken: list[DueMessage] = []
        results: list[Result] = []
        doubt = english("{transport} gave no answer").format(transport=transport.name)
        try:
            results.extend(transport.hand_over(self._offer(batch, taken)))
        except Exception as error:  # noqa: BLE001  whatever broke, what was begun is in doubt and the rest goes on
            _LOG.exception("hand_over_broke", extra={"transport": transport.name})
            doubt = f"{transport.name} broke: {type(error).__name__}"
        reach("after-hand-over")
        self._unsettled_of = batch.queue
        for at, message in enumerate(batch.messages):
            if at < len(results):
                result: Result | NotTaken = results[at]
            else:
                result = InDoubt(doubt) if at < len(taken) else NotTaken()
            self._unsettled.append(
                Outcome(
                    message=message,
                    token=batch.token,
                    tries=message.attempts + 1,
                    result=result,
                    again_is_safe=transport.capabilities.idempotency_key,
                    can_be_asked=transport.capabilities.status_query,
                )
            )

    def _offer(self, batch: _Batch, taken: list[DueMessage]) -> Iterator[Outgoing]:
        """Give messages one by one while the claim surely holds and they are useful: the machine may have slept."""
        look = SecondLook(self._database, [message.id for message in batch.messages])
        for message in batch.messages:
            if not batch.stopwatch.may_begin() or self._clock.now() > message.useful_until or look.finds_silence():
                return
            if taken:
                reach("in-hand-over")
            taken.append(message)
            yield self._outgoing(message, batch.visits.get(message.id))

    def _outgoing(self, message: DueMessage, visit: VisitToTell | None) -> Outgoing:
        return Outgoing(
            id=message.id,
            idempotency_key=self._key(message.id),
            practice_id=message.practice_id,
            channel=message.channel,
            address=message.address,
            language=message.language,
            text=message.text,
            subject=message.subject,
            markdown=message.markdown,
            encoding=message.encoding,
            segments=message.segments,
            answers=message.kind == "answer",
            in_reply_to=message.in_reply_to,
            to_staff=message.kind == "staff",
            visit=visit,
        )

    def _key(self, message_id: int) -> str:
        return f"{self._installation}-{message_id}"

    def _recover(self, report: DispatchReport) -> None:
        """Find what dead workers left: ask the transport, and where it can't tell, do as the message says."""
        for practice in self._practices:
            while self._recover_some(practice, report):
                pass

    def _recover_some(self, practice: str, report: DispatchReport) -> int:
        now = self._clock.now()
        channels = tuple(self._transports)
        with self._database.reading() as session:
            lapsed = outbox.lapsed_messages(session, practice, channels, now=now, limit=_LAPSED_AT_ONCE)
        known = self._look_up(lapsed)
        outcomes = [
            self._recovered(message, known.get(message.channel, LookUp()))
            for message in lapsed
            if message.channel in known or message.long_lapsed
        ]
        if outcomes:
            with self._database.writing() as session:
                done = self._settler.settle(session, outcomes, now)
                note_settled(session, practice, outcomes, now)
                reach("in-recovery")
            reach("after-recovery")
            done.recovered = len(outcomes)
            report.add(done)
        return len(outcomes)

    def _look_up(self, lapsed: Sequence[LapsedMessage]) -> dict[str, LookUp]:
        """Ask the transports what they know; a channel whose transport can't be asked now is left for later."""
        known: dict[str, LookUp] = {}
        for channel in {message.channel for message in lapsed}:
            transport = self._transports[channel]
            mine = (each for each in lapsed if each.channel == channel and each.transport == transport.name)
            try:
                known[channel] = transport.look_up([self._key(message.id) for message in mine])
            except TransportError as error:
                _LOG.warning("look_up_failed", extra={"transport": transport.name, "reason": str(error)})
        return known

    def _recovered(self, message: LapsedMessage, known: LookUp) -> Outcome:
        key = self._key(message.id)
        if key in known.went_out:
            result: Result | NotTaken = Accepted(ref=known.went_out[key])
        elif key in known.absent:
            result = NotTaken()
        else:
            result = InDoubt(english("the program ended during the hand-over"))
        capabilities = self._transports[message.channel].capabilities
        return Outcome(
            message=message,
            token=message.claim_token,
            tries=message.attempts,
            result=result,
            again_is_safe=capabilities.idempotency_key and self._transports[message.channel].name == message.transport,
        )
