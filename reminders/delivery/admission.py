"""Knows which messages of a queue may be claimed now, and what hand-overs tell about the way out."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from random import Random

from sqlalchemy.orm import Session

from reminders.care.pacing import Limit, next_to_go
from reminders.delivery import breaker
from reminders.delivery.outgoing import Accepted
from reminders.delivery.settle import NotTaken, Outcome
from reminders.errors import Away, BadAddress, InDoubt, Refused, Throttled, Unreachable
from reminders.records import outbox
from reminders.records.outbox import DueMessage, Queue
from reminders.records.pace import Pace, spend, take_allowance
from reminders.records.queue_health import HEALTHY, Health, health_of, set_health

_LOG = logging.getLogger(__name__)
_LOOKED_AT = 20_000
"""Of a backlog behind a limit, the longest due ones among which the order is decided."""
_EXPIRED_AT_ONCE = 200
_EXPIRED_EVERY = timedelta(seconds=5)


@dataclass(frozen=True, kw_only=True)
class Admitted:
    """What a worker may do with a queue in the present transaction."""

    due: tuple[DueMessage, ...] = ()
    """To be judged by the gate, and claimed when it lets them go."""
    pace: Pace | None = None
    """None when nothing holds it back."""
    health: Health = HEALTHY


@dataclass(kw_only=True)
class Admission:
    """One worker's view of its queues. What counts is in the database and the same for all workers."""

    limits: Mapping[str, tuple[Limit, ...]] = field(default_factory=dict)
    """By channel; a channel that is missing is not held back."""
    random: Random = field(default_factory=Random)
    by_server_clock: bool = True
    """See `Pace`."""
    _failures: dict[Queue, int] = field(default_factory=dict)
    _not_before: dict[Queue, datetime] = field(default_factory=dict)
    _expired_at: dict[Queue, datetime] = field(default_factory=dict)
    _trying: set[Queue] = field(default_factory=set)
    _put_off: set[Queue] = field(default_factory=set)
    _refused: dict[Queue, int] = field(default_factory=dict)

    def admit(self, session: Session, queue: Queue, *, now: datetime, wanted: int) -> Admitted:
        """Return the due messages of a queue that may be claimed in this transaction; also those of no use any more.

        Those cost no one a turn: the gate withholds them.
        """
        health = self._health(session, queue, now)
        blocked_until = breaker.blocked_until(health, now)
        if blocked_until is not None:
            self._not_before[queue] = blocked_until
            return Admitted(due=self._expired(session, queue, now), health=health)
        if health.broken_since is not None:
            wanted = 1
        limits = self.limits.get(queue.channel, ())
        if not limits:
            self._not_before.pop(queue, None)
            return Admitted(due=outbox.due_messages(session, queue, now=now, limit=wanted), health=health)
        pace = Pace(
            queue=queue,
            limits=limits,
            slowness=breaker.slowness(health, now),
            by_server_clock=self.by_server_clock,
        )
        allowed = take_allowance(session, pace, now=now, wanted=wanted)
        if not allowed.most:
            self._not_before[queue] = now + allowed.wait
            return Admitted(due=self._expired(session, queue, now), health=health)
        self._not_before.pop(queue, None)
        return Admitted(due=_in_order(session, pace, now, allowed.most), pace=pace, health=health)

    def claimed(self, session: Session, queue: Queue, admitted: Admitted, count: int, *, now: datetime) -> None:
        """Note that `count` of the messages admitted were claimed, in the same transaction."""
        if admitted.pace is not None and count:
            spend(session, admitted.pace, count, now=now)
        if admitted.health.broken_since is not None and count:
            set_health(session, queue, breaker.trying(admitted.health, now))
            self._trying.add(queue)

    def learn(self, session: Session, queue: Queue, outcomes: Sequence[Outcome], *, now: datetime) -> Health | None:
        """Draw what follows from how claims ended; return the health when staff have to be told of it now.

        Without results the other side was not even asked, though messages were claimed.
        """
        results = [each.result for each in outcomes if not isinstance(each.result, NotTaken)]
        failures = self._failures.get(queue, 0)
        for result in results:
            if isinstance(result, Away | InDoubt):
                failures += 1
            elif isinstance(result, Accepted | Refused | Throttled):
                failures = 0
        self._failures[queue] = failures
        throttled = any(isinstance(result, Throttled) for result in results)
        takes = any(isinstance(result, Accepted | Refused) for result in results)
        put_off = 0 if takes else sum(map(_was_put_off, outcomes))
        was_a_try = queue in self._trying
        self._trying.discard(queue)
        # While all is well nothing has to be read or written: whoever claims next reads how the queue stands.
        if not (put_off or was_a_try or queue in self._put_off or failures >= breaker.FAILURES_IN_A_ROW):
            return None
        health = health_of(session, queue)
        if throttled:
            health = breaker.complained(health, now)
        if put_off:
            health = breaker.put_off(health, put_off, now)
        elif takes:
            health = breaker.takes(health)
        if failures >= breaker.FAILURES_IN_A_ROW or (was_a_try and (failures or not results)):
            health = self._broke(queue, health, now)
        elif health.broken_since is not None and results:
            _LOG.warning("way_out_works_again", extra={"channel": queue.channel, "probes": health.probes})
            health = breaker.works(health)
        tell = health if breaker.staff_should_know(health, now) else None
        set_health(session, queue, replace(health, told_at=now) if tell else health)
        return tell

    def everything_is_refused(self, queue: Queue, outcomes: Sequence[Outcome]) -> bool:
        """Count how claims ended, and say whether so many were refused in a row that no single message is to blame."""
        refused = self._refused.get(queue, 0)
        for each in outcomes:
            if isinstance(each.result, Accepted):
                refused = 0
            elif isinstance(each.result, Refused) and not isinstance(each.result, BadAddress):
                refused += 1
        self._refused[queue] = refused
        return refused >= breaker.REFUSALS_IN_A_ROW

    def not_before(self, queue: Queue, moment: datetime) -> datetime:
        """Return when a message due at a moment may be claimed at the earliest, as far as this worker knows."""
        return max(moment, self._not_before.get(queue, moment))

    def _health(self, session: Session, queue: Queue, now: datetime) -> Health:
        found = health_of(session, queue)
        (self._put_off.discard if found.put_off_since is None else self._put_off.add)(queue)
        health = breaker.recovered(found, now)
        if health != found:
            set_health(session, queue, health)
        return health

    def _broke(self, queue: Queue, health: Health, now: datetime) -> Health:
        if health.broken_since is None:
            _LOG.error("way_out_is_broken", extra={"channel": queue.channel})
        return breaker.broke(health, now, self.random)

    def _expired(self, session: Session, queue: Queue, now: datetime) -> tuple[DueMessage, ...]:
        """Return messages that are of no use any more: they must not wait for a way out. Looked for now and then."""
        last = self._expired_at.get(queue)
        if last is not None and timedelta(0) <= now - last < _EXPIRED_EVERY:
            return ()
        self._expired_at[queue] = now
        return outbox.expired_messages(session, queue, now=now, limit=_EXPIRED_AT_ONCE)


def _was_put_off(outcome: Outcome) -> bool:
    """Say whether the other side asked to try later with a message; of one that it put off before, no more."""
    if isinstance(outcome.result, Throttled):
        return True
    return isinstance(outcome.result, Unreachable) and not isinstance(outcome.result, Away) and outcome.tries == 1


def _in_order(session: Session, pace: Pace, now: datetime, most: int) -> tuple[DueMessage, ...]:
    """Return the messages whose turn it is, and some that are of no use any more."""
    waiting = outbox.waiting_messages(session, pace.queue, now=now, limit=_LOOKED_AT)
    expired = [each.id for each in waiting if each.useful_until < now][:_EXPIRED_AT_ONCE]
    useful = [each for each in waiting if each.useful_until >= now]
    interval = max(pace.interval_of(limit) for limit in pace.limits)
    going = next_to_go(useful, now=now, interval=interval, count=most)
    return outbox.messages_named(session, pace.queue, [*expired, *(each.id for each in going)])
