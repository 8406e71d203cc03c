"""A transport that does as a test says, and a dispatcher around it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from random import Random

from reminders.care.pacing import Limit
from reminders.care.quiet_hours import QuietHours
from reminders.clock import Clock, SystemClock, VirtualClock
from reminders.delivery.admission import Admission
from reminders.delivery.dispatcher import Dispatcher, DispatchRules
from reminders.delivery.gate import Gate
from reminders.delivery.outgoing import Accepted, Capabilities, LookUp, Outgoing, Result
from reminders.delivery.report import DispatchReport
from reminders.delivery.transports import Transport
from reminders.records.database import Database
from tests.stored import NOON

CONCERN_DUE_IN = {"urgent": timedelta(hours=1), "routine": timedelta(days=1)}


def accepted(message: Outgoing) -> Result:
    """Take every message under a reference of its own."""
    return Accepted(ref=f"ref-{message.id}")


class ScriptedTransport:
    """Answers as the function given does; an error that it raises breaks the link."""

    name = "scripted"

    def __init__(
        self,
        answer: Callable[[Outgoing], Result] = accepted,
        *,
        batch_size: int = 100,
        remembers: bool = False,
        drops_doubles: bool = False,
    ) -> None:
        """Answer by `answer`; `remembers` says whether it can tell later what it was given."""
        self.handed: list[Outgoing] = []
        self._answer = answer
        self._remembers = remembers
        self.capabilities = Capabilities(
            channels=frozenset({"sms", "email"}),
            batch_size=batch_size,
            receipts=False,
            idempotency_key=drops_doubles,
            status_query=remembers,
        )

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        for message in batch:
            self.handed.append(message)
            yield self._answer(message)

    def look_up(self, keys: Collection[str]) -> LookUp:
        if not self._remembers:
            return LookUp()
        known = {each.idempotency_key: f"ref-{each.id}" for each in self.handed if each.idempotency_key in keys}
        return LookUp(went_out=known, absent=frozenset(keys) - known.keys())

    def close(self) -> None:
        """Hold nothing."""

    @property
    def ids(self) -> list[int]:
        """The messages handed over, in order."""
        return [each.id for each in self.handed]


def dispatcher(
    database: Database,
    transport: Transport,
    *,
    clock: Clock | None = None,
    quiet: tuple[str, ...] = ("21:00-08:00",),
    lease: timedelta = timedelta(minutes=2),
    approval_needed: bool = True,
    observe: Callable[[str, DispatchReport], None] = lambda _transport, _report: None,
    limits: Mapping[str, tuple[Limit, ...]] | None = None,
) -> Dispatcher:
    """A worker for both channels at noon, unless another clock is given."""
    rules = DispatchRules(
        gate=Gate(quiet_hours={"main": QuietHours.every_day(*quiet)}, approval_needed=approval_needed),
        concern_due=_due,
        lease=lease,
        random=Random(1),
        admission=Admission(limits=limits or {}, random=Random(2), by_server_clock=isinstance(clock, SystemClock)),
        observe=observe,
    )
    return Dispatcher(database, clock or VirtualClock(NOON), {"sms": transport, "email": transport}, rules)


def _due(urgency: str, opened_at: datetime) -> datetime:
    return opened_at + CONCERN_DUE_IN[urgency]
