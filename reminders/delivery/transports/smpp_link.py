"""One bound connection to a message centre: requests and answers in any order, and what the centre sends us."""

from __future__ import annotations

import contextlib
import logging
import queue
import select
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from reminders.delivery.transports.smpp_pdu import (
    LAST_SEQUENCE,
    RESPONSE,
    Command,
    Pdu,
    PduReader,
    ShortMessage,
    bind_body,
    read_data,
    read_deliver,
)
from reminders.delivery.transports.smpp_status import name_of
from reminders.errors import InputError, Unreachable
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_INVALID_COMMAND = 0x03
_QUEUE_FULL = 0x14
_TRY_LATER = 0x64
_NOT_READABLE = 0x65
_RECEIVED_AT_ONCE = 100
_WAITING_TO_BE_STORED = 1000


class Ticket:
    """A request on its way; becomes its answer."""

    __slots__ = ("_done", "_then", "answer")

    def __init__(self, then: Callable[[], None] | None = None) -> None:
        """Begin without an answer; `then` is called when there is one, by the thread that reads."""
        self.answer: Pdu | None = None
        self._then = then
        self._done = threading.Event()

    def settle(self, answer: Pdu | None) -> None:
        """Give the answer; None when there will be none as the connection is lost."""
        self.answer = answer
        self._done.set()
        if answer is not None and self._then is not None:
            self._then()

    @property
    def is_settled(self) -> bool:
        """Whether there is an answer, or will be none."""
        return self._done.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait for the answer or the loss; False when neither came in time."""
        return self._done.wait(seconds)


@dataclass(frozen=True)
class _Heard:
    """Messages whose acknowledgement the centre has read."""

    messages: tuple[ShortMessage, ...]


class Link:
    """Reads in a thread of its own, and stores what came in in another one; requests may come from any thread."""

    def __init__(
        self,
        connection: socket.socket,
        *,
        enquire_seconds: float,
        answer_seconds: float,
        store: Callable[[Sequence[ShortMessage]], None],
        heard: Callable[[Sequence[ShortMessage]], None],
    ) -> None:
        """Take over a connection on which nothing was said yet.

        `store` keeps messages from the centre for good, all or none; they are acknowledged after it returned. `heard`
        is told of them again once the centre has surely read that.
        """
        self._connection = connection
        self._enquire_seconds = enquire_seconds
        self._answer_seconds = answer_seconds
        self._store = store
        self._heard = heard
        self._sending = threading.Lock()
        self._waiting: dict[int, Ticket] = {}
        self._sequence = 0
        self._open = True
        self._reason = english("the connection was closed")
        self._received: queue.Queue[Pdu | _Heard | None] = queue.Queue(_WAITING_TO_BE_STORED)
        connection.settimeout(answer_seconds)
        self._threads = tuple(
            threading.Thread(target=run, name=f"smpp-{name}", daemon=True)
            for name, run in (("reader", self._read), ("store", self._store_received))
        )
        for thread in self._threads:
            thread.start()

    @property
    def is_open(self) -> bool:
        """Whether requests may still be made."""
        return self._open

    @property
    def unanswered(self) -> int:
        """Requests on their way."""
        return len(self._waiting)

    def bind(self, *, system_id: str, password: str, system_type: str) -> int:
        """Bind as transceiver and return the answer's status; Unreachable when there is no answer."""
        body = bind_body(system_id=system_id, password=password, system_type=system_type)
        ticket = self.request(Command.BIND_TRANSCEIVER, body)
        if not ticket.wait(self._answer_seconds) or ticket.answer is None:
            self.drop(english("the bind was not answered"))
            raise Unreachable(english("the message centre did not answer our bind"))
        return ticket.answer.status

    def request(self, command: Command, body: bytes, then: Callable[[], None] | None = None) -> Ticket:
        """Send a request; Unreachable when it could not be sent whole, and so was surely not acted upon."""
        ticket = Ticket(then)
        with self._sending:
            self._sequence = self._sequence % LAST_SEQUENCE + 1
            sequence = self._sequence
            if not self._open:
                raise Unreachable(self._reason)
            self._waiting[sequence] = ticket
            try:
                self._connection.sendall(Pdu(command=command, sequence=sequence, body=body).encode())
            except OSError as error:
                del self._waiting[sequence]
                reason = english("the connection broke: {error}").format(error=type(error).__name__)
            else:
                return ticket
        self.drop(reason)
        raise Unreachable(reason)

    def unbind(self) -> None:
        """Take leave, wait a moment for the answer, and close."""
        try:
            self.request(Command.UNBIND, b"").wait(min(self._answer_seconds, 2))
        except Unreachable:
            return
        self.drop(english("we took leave"))

    def drop(self, reason: str) -> None:
        """Close at once: no request that waits will be answered any more. May be called by any thread, and again."""
        with self._sending:
            if self._open:
                self._open = False
                self._reason = reason
                _shut(self._connection)
            waiting, self._waiting = list(self._waiting.values()), {}
        for ticket in waiting:
            ticket.settle(None)

    def join(self) -> None:
        """Wait until both threads ended; what was received is stored by then."""
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(self._answer_seconds)

    def wait_closed(self, seconds: float) -> bool:
        """Wait until the connection ended; False when it still lives."""
        self._threads[0].join(seconds)
        return not self._threads[0].is_alive()

    def _read(self) -> None:
        try:
            self._read_while_open()
        except (OSError, InputError, Unreachable) as error:
            self.drop(english("the connection broke: {error}").format(error=type(error).__name__))
        finally:
            self.drop(self._reason)
            self._received.put(None)
            self._connection.close()

    def _read_while_open(self) -> None:
        reader = PduReader()
        heard_at = asked_at = time.monotonic()
        while self._open:
            if not self._readable():
                asked_at = self._ask_when_silent(heard_at, asked_at)
                continue
            octets = self._receive()
            if not octets:
                self.drop(english("the message centre closed the connection"))
                return
            heard_at = time.monotonic()
            for pdu in reader.feed(octets):
                self._take(pdu)

    def _ask_when_silent(self, heard_at: float, asked_at: float) -> float:
        """Ask a centre that is silent for long whether it lives, or give it up; return when it was asked last."""
        now = time.monotonic()
        if asked_at > heard_at and now - asked_at > self._answer_seconds:
            self.drop(english("the message centre does not answer any more"))
        elif now - max(asked_at, heard_at) > self._enquire_seconds:
            self.request(Command.ENQUIRE_LINK, b"")
            return now
        return asked_at

    def _readable(self) -> bool:
        if isinstance(self._connection, ssl.SSLSocket) and self._connection.pending():
            return True
        return bool(select.select([self._connection], [], [], 0.2)[0])

    def _receive(self) -> bytes:
        if not isinstance(self._connection, ssl.SSLSocket):
            octets = self._connection.recv(65_536)
            # A centre whose socket gathers small answers sends the next one when the last was acknowledged, which
            # Linux by default puts off by 40 ms; it forgets this setting, so it is made again each time.
            if hasattr(socket, "TCP_QUICKACK"):
                self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
            return octets
        with self._sending:  # one TLS session must not be read and written at once (OpenSSL's rule)
            return self._connection.recv(65_536)

    def _take(self, pdu: Pdu) -> None:
        if pdu.command & RESPONSE:
            self._take_answer(pdu)
        elif pdu.command in {Command.DELIVER_SM, Command.DATA_SM}:
            try:
                self._received.put_nowait(pdu)
            except queue.Full:
                self._answer(pdu, _QUEUE_FULL)
        elif pdu.command == Command.ENQUIRE_LINK:
            self._answer(pdu)
        elif pdu.command == Command.UNBIND:
            self._answer(pdu)
            self.drop(english("the message centre took leave"))
        else:
            self._send(Pdu(command=Command.GENERIC_NACK, status=_INVALID_COMMAND, sequence=pdu.sequence))

    def _take_answer(self, pdu: Pdu) -> None:
        with self._sending:
            ticket = self._waiting.pop(pdu.sequence, None)
        if ticket is not None:
            ticket.settle(pdu)
        elif pdu.command == Command.GENERIC_NACK:
            # It names no request of ours: the centre could not read our stream, nor what was in it.
            self.drop(english("the message centre lost synchrony: {status}").format(status=name_of(pdu.status)))

    def _answer(self, pdu: Pdu, status: int = 0) -> None:
        body = b"\0" if pdu.command in {Command.DELIVER_SM, Command.DATA_SM} else b""
        self._send(Pdu(command=pdu.command | RESPONSE, status=status, sequence=pdu.sequence, body=body))

    def _send(self, pdu: Pdu) -> None:
        with self._sending:
            if not self._open:
                return
            try:
                self._connection.sendall(pdu.encode())
            except OSError:
                _shut(self._connection)  # the reader notices

    def _store_received(self) -> None:
        more = True
        while more:
            taken = [self._received.get()]
            while len(taken) < _RECEIVED_AT_ONCE and taken[-1] is not None:
                try:
                    taken.append(self._received.get_nowait())
                except queue.Empty:
                    break
            more = taken[-1] is not None
            self._store_batch([each for each in taken if isinstance(each, Pdu)])
            self._tell_of_heard([each for each in taken if isinstance(each, _Heard)])

    def _store_batch(self, pdus: Sequence[Pdu]) -> None:
        readable: list[tuple[Pdu, ShortMessage]] = []
        for pdu in pdus:
            try:
                readable.append((pdu, (read_data if pdu.command == Command.DATA_SM else read_deliver)(pdu.body)))
            except InputError:
                _LOG.warning("smpp_request_not_readable", extra={"octets": len(pdu.body)})
                self._answer(pdu, _NOT_READABLE)
        if readable and not self._stored([message for _, message in readable]):
            # One that can't be stored must not keep the others out.
            for pdu, message in readable:
                self._answer(pdu, 0 if len(readable) > 1 and self._stored([message]) else _TRY_LATER)
            return
        for pdu, _ in readable:
            self._answer(pdu)
        self._ask_whether_heard(tuple(message for _, message in readable if not message.is_receipt))

    def _ask_whether_heard(self, messages: tuple[ShortMessage, ...]) -> None:
        """Ask something behind our acknowledgements: a centre that answers it has read them, as it reads in order."""

        def note() -> None:
            with contextlib.suppress(queue.Full):  # then they only count as unheard for a while
                self._received.put_nowait(_Heard(messages))

        if messages:
            with contextlib.suppress(Unreachable):
                self.request(Command.ENQUIRE_LINK, b"", note)

    def _tell_of_heard(self, heard: Sequence[_Heard]) -> None:
        messages = [message for each in heard for message in each.messages]
        try:
            if messages:
                self._heard(messages)
        except Exception:  # noqa: BLE001  they are stored; that they were heard is soon of no use any more
            _LOG.exception("smpp_not_noted_as_heard", extra={"count": len(messages)})

    def _stored(self, messages: Sequence[ShortMessage]) -> bool:
        try:
            self._store(messages)
        except Exception:  # noqa: BLE001  whatever it was, the centre keeps the message and offers it again
            _LOG.exception("smpp_not_stored", extra={"count": len(messages)})
            return False
        return True


def _shut(connection: socket.socket) -> None:
    # Wakes the reader, which alone closes the socket: a closed number may be somebody else's at once.
    try:
        connection.shutdown(socket.SHUT_RDWR)
    except OSError:
        return
