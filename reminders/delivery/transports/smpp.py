"""Hands SMS over to a message centre (SMPP 3.4) and takes in what patients write and what became of messages."""

from __future__ import annotations

import logging
import socket
import threading
from collections import deque
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path

from reminders.config_delivery import SmppSection
from reminders.delivery.incoming import Incoming, IncomingReply, TakeIn
from reminders.delivery.outgoing import Accepted, Capabilities, LookUp, Outgoing, Result
from reminders.delivery.tls import client_context
from reminders.delivery.transports.slowing import Slowdown
from reminders.delivery.transports.smpp_link import Link, Ticket
from reminders.delivery.transports.smpp_pdu import Command, ShortMessage, read_text, submit_body
from reminders.delivery.transports.smpp_status import Verdict, name_of, verdict_of
from reminders.delivery.transports.smpp_text import read_request, ref_of, requests_of
from reminders.errors import Away, BadAddress, InDoubt, InputError, Refused, Throttled, Unreachable
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_PORTS = {"tls": 3550, "none-on-loopback": 2775, "none-in-tunnel": 2775}
_FIRST_PAUSE_SECONDS = 0.5
_HOPELESS = 12
"""Failures after which the pause is the longest one."""
_TRIES_WHEN_THROTTLED = 3


def _nobody_asks(_incoming: Sequence[Incoming]) -> None:
    return


class SmppTransport:
    """Keeps one connection bound as transceiver, and makes a new one whenever it breaks."""

    name = "smpp"

    def __init__(
        self, section: SmppSection, *, folder: Path, region: str, take_in: TakeIn, heard: TakeIn = _nobody_asks
    ) -> None:
        """Begin to connect; `take_in` stores what the centre sends, called from a thread of its own.

        `heard` is told, by that thread, of replies that the centre surely knows we have.
        Numbers without a country code are taken as those of `region`.
        """
        self._section = section
        self._region = region
        self._take_in = take_in
        self._heard = heard
        self._password = section.password.read(folder)
        self._tls = (
            client_context(section.ca_file, folder, setting="delivery.smpp.ca_file") if section.tls == "tls" else None
        )
        self._slowdown = Slowdown()
        self._patient = True
        self._bound: Link | None = None
        self._trouble = english("the message centre was not reached yet")
        self._failures = 0
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._keeper = threading.Thread(target=self._keep_bound, name="smpp-keeper", daemon=True)
        self._keeper.start()

    @property
    def capabilities(self) -> Capabilities:
        """What it can do; the window is what may be in doubt at once."""
        return Capabilities(
            channels=frozenset({"sms"}),
            batch_size=self._section.window,
            receipts=True,
            idempotency_key=False,
            status_query=False,
        )

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        """Send messages as far as the window allows, and give the verdicts in the order of the messages."""
        if not self._slowdown.wait():
            return
        self._patient = True
        on_the_way: deque[_Sending] = deque()
        link = self._link()
        for message in batch:
            if link is None or not link.is_open:
                link = self._link()
            sending = self._begin(message, link)
            while on_the_way and (not on_the_way[0].is_waiting or self._is_full(sending)):
                yield self._end(on_the_way.popleft())
            sending.start()
            on_the_way.append(sending)
            if not self._wait():
                break
        while on_the_way:
            yield self._end(on_the_way.popleft())

    def look_up(self, keys: Collection[str]) -> LookUp:  # noqa: ARG002  query_sm wants the centre's id, which we lack
        """Tell nothing: a centre knows messages by its own ids only."""
        return LookUp()

    def close(self) -> None:
        """Take leave; what was received is stored before this returns."""
        self._stop.set()
        with self._changed:
            link = self._bound
            self._changed.notify_all()
        if link is not None:
            link.unbind()
        self._keeper.join(self._section.answer_seconds + self._section.connect_seconds)

    def _is_full(self, more: _Sending) -> bool:
        return more.link is not None and more.link.unanswered + more.size > self._section.window

    def _begin(self, message: Outgoing, link: Link | None) -> _Sending:
        try:
            bodies = [submit_body(request) for request in requests_of(message, self._section)]
        except InputError as error:
            return _Sending(link, (), Refused(str(error)))
        return _Sending(link, bodies, Away(self._trouble) if link is None else None)

    def _end(self, sending: _Sending) -> Result:
        """Wait for the answers to one message, and repeat the parts that came too fast."""
        for tries_left in reversed(range(_TRIES_WHEN_THROTTLED)):
            throttled = sending.collect(self._section.answer_seconds)
            if not throttled:
                if sending.failure is None:
                    self._slowdown.taken()
                break
            self._slowdown.complained()
            if not tries_left or not self._wait():
                break
            sending.repeat()
        return sending.result(self._section)

    def _wait(self) -> bool:
        """Wait until the centre can be sent more; once that took too long, the rest of the batch waits no more."""
        self._patient = self._patient and self._slowdown.wait()
        return self._patient

    def _link(self) -> Link | None:
        """Return the bound connection, or wait for it unless the last try failed; None when there is none then."""

        def bound_or_hopeless() -> bool:
            return self._stop.is_set() or self._failures > 0 or (self._bound is not None and self._bound.is_open)

        with self._changed:
            self._changed.wait_for(bound_or_hopeless, self._section.connect_seconds)
            return self._bound if self._bound is not None and self._bound.is_open else None

    def _keep_bound(self) -> None:
        """Connect, wait until the connection ends, and again: at once after a loss, ever later after failures."""
        while not self._stop.is_set():
            link = self._connect()
            if link is None:
                self._set_bound(None, failures=self._failures + 1)
                pause = _FIRST_PAUSE_SECONDS * 2 ** min(self._failures, _HOPELESS)
                self._stop.wait(min(pause, self._section.longest_pause_seconds))
                continue
            self._set_bound(link, failures=0)
            while not link.wait_closed(1) and not self._stop.is_set():
                pass
            link.join()
            self._set_bound(None, failures=0)
            self._stop.wait(_FIRST_PAUSE_SECONDS)

    def _set_bound(self, link: Link | None, *, failures: int) -> None:
        with self._changed:
            self._bound = link
            self._failures = failures
            self._changed.notify_all()

    def _connect(self) -> Link | None:
        section = self._section
        address = (section.host, section.port or _PORTS[section.tls])
        try:
            connection: socket.socket = socket.create_connection(address, section.connect_seconds)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._tls is not None:
                connection = self._tls.wrap_socket(connection, server_hostname=section.host)
        except OSError as error:
            self._failed(english("the message centre can't be reached: {error}").format(error=type(error).__name__))
            return None
        link = Link(
            connection,
            enquire_seconds=section.enquire_seconds,
            answer_seconds=section.answer_seconds,
            store=self._store,
            heard=self._note_heard,
        )
        try:
            status = link.bind(system_id=section.system_id, password=self._password, system_type=section.system_type)
        except Unreachable as error:
            self._failed(str(error))
            return None
        if status:
            link.drop(english("the bind was refused"))
            if verdict_of(status) is Verdict.REBIND:
                self._failures = _HOPELESS  # a wrong password does not become right by haste
            self._failed(english("the message centre refused our bind: {status}").format(status=name_of(status)))
            return None
        return link

    def _failed(self, trouble: str) -> None:
        self._trouble = trouble
        _LOG.warning("smpp_not_bound", extra={"reason": trouble, "failures": self._failures + 1})

    def _store(self, messages: Sequence[ShortMessage]) -> None:
        self._take_in(self._incoming(messages))

    def _note_heard(self, messages: Sequence[ShortMessage]) -> None:
        replies = [each for each in self._incoming(messages) if isinstance(each, IncomingReply)]
        if replies:
            self._heard(replies)

    def _incoming(self, messages: Sequence[ShortMessage]) -> list[Incoming]:
        return [read_request(each, self._section, region=self._region, transport=self.name) for each in messages]


class _Sending:
    """One message on its way: a request for each of its segments."""

    def __init__(self, link: Link | None, bodies: Sequence[bytes], failure: Refused | Unreachable | None) -> None:
        self.link = link
        self._bodies = tuple(bodies)
        self._tickets: dict[int, Ticket] = {}
        self._accepted: dict[int, str] = {}
        self._doubt: str | None = None
        self.failure: Refused | Unreachable | None = failure

    @property
    def size(self) -> int:
        """Segments."""
        return len(self._bodies)

    @property
    def is_waiting(self) -> bool:
        """Whether a request has no answer yet."""
        return not all(ticket.is_settled for ticket in self._tickets.values())

    def start(self) -> None:
        """Send all segments; what can't be sent any more stays here."""
        self._send(range(self.size))

    def repeat(self) -> None:
        """Send the segments again that came too fast."""
        self.failure = None
        self._send(at for at in range(self.size) if at not in self._accepted)

    def collect(self, seconds: float) -> bool:
        """Wait for the answers; return whether any segment came too fast and none failed for another reason."""
        throttled = False
        for at, ticket in self._tickets.items():
            if not ticket.wait(seconds):
                self._doubt = english("the message centre did not answer within {seconds:g} s").format(seconds=seconds)
                if self.link is not None:
                    self.link.drop(self._doubt)
            elif ticket.answer is None:
                self._doubt = english("the connection was lost before the answer")
            else:
                throttled |= self._take(at, ticket.answer.status, ticket.answer.body) is Verdict.THROTTLED
        self._tickets.clear()
        return throttled and self._doubt is None and not isinstance(self.failure, Refused)

    def result(self, section: SmppSection) -> Result:
        """Return how the hand-over ended."""
        if self._doubt is not None:
            return InDoubt(self._doubt)
        if self.failure is None:
            return Accepted(ref=" ".join(ref_of(self._accepted[at], section) for at in sorted(self._accepted)))
        if self._accepted:
            return InDoubt(
                english("{count} of {size} segments were taken, then: {why}").format(
                    count=len(self._accepted), size=self.size, why=self.failure
                )
            )
        return self.failure

    def _send(self, segments: Iterable[int]) -> None:
        if self.link is None or self.failure is not None:
            return
        for at in segments:
            try:
                self._tickets[at] = self.link.request(Command.SUBMIT_SM, self._bodies[at])
            except Unreachable as error:
                self.failure = error
                return

    def _take(self, at: int, status: int, body: bytes) -> Verdict:
        verdict = verdict_of(status)
        if verdict is Verdict.ACCEPTED:
            self._accepted[at] = read_text(body)
        elif verdict is Verdict.BAD_ADDRESS:
            self.failure = BadAddress(name_of(status))
        elif verdict is Verdict.REFUSED:
            self.failure = Refused(name_of(status))
        elif not isinstance(self.failure, Refused):
            self.failure = (Throttled if verdict is Verdict.THROTTLED else Unreachable)(name_of(status))
            if verdict is Verdict.REBIND and self.link is not None:
                self.link.drop(name_of(status))
        return verdict
