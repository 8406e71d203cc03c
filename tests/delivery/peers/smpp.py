"""A message centre in this process, for answers that a well-behaved one never gives; an independent codec reads for it.

What it writes is put together by hand from SMPP 3.4 sections 3.2 and 4 (from memory); `smpp34` reads what it gets.
"""

from __future__ import annotations

import os
import socket
import struct
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import gsm0338
import smpp34

from reminders.config_delivery import SmppSection
from reminders.delivery.incoming import Incoming
from reminders.delivery.transports.smpp import SmppTransport
from tests.delivery.peers.peer import BAD, Behaviour, Taken, shut

_HEADER = struct.Struct(">IIII")
PASSWORD = "REMINDERS_TEST_SMPP_PASSWORD"
DELIVER_SM, SUBMIT_SM, BIND, UNBIND, ENQUIRE = 0x05, 0x04, 0x09, 0x06, 0x15


def section(port: int, **settings: Any) -> SmppSection:
    """The configuration of a link without encryption to this machine."""
    os.environ[PASSWORD] = "secret"
    return SmppSection.model_validate(
        {
            "host": "127.0.0.1",
            "port": port,
            "tls": "none-on-loopback",
            "system_id": "practice",
            "password": {"env": PASSWORD},
            "sender": "+12025550100",
            "connect_seconds": 3,
            "answer_seconds": 3,
            "longest_pause_seconds": 1,
            **settings,
        }
    )


class SmppPeer:
    """Answers as told; every submit is kept as the independent codec read it."""

    def __init__(
        self,
        *,
        take_in: Callable[[Sequence[Incoming]], None] | None = None,
        heard: Callable[[Sequence[Incoming]], None] = lambda _incoming: None,
        **settings: Any,
    ) -> None:
        self.behaviour = Behaviour.ACCEPT
        self.taken: list[Taken] = []
        self.submits: list[smpp34.SubmitSm] = []
        self.answers: list[tuple[int, int, int]] = []
        """What the client answered: command, status, sequence."""
        self.incoming: list[Incoming] = []
        self.most_at_once = 0
        self.bind_status = 0
        self.submit_status = 0
        """When it is set, every submit is refused by it."""
        self.hold: list[int] | None = None
        """When it is a list, submits are not answered; their sequence numbers are put into it."""
        self.is_deaf_to = 0
        """A command that gets no answer."""
        self._ids = 0
        self._connection: socket.socket | None = None
        self._sending = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._listen()
        self.transport = SmppTransport(
            section(self.port, **settings),
            folder=Path(),
            region="US",
            take_in=take_in or self.incoming.extend,
            heard=heard,
        )

    def go_away(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()

    def come_back(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._listen()

    def close(self) -> None:
        self.transport.close()
        self.go_away()

    def cut(self) -> None:
        """Break the connection."""
        if self._connection is not None:
            shut(self._connection)

    def send(self, command: int, body: bytes = b"", *, status: int = 0, sequence: int) -> None:
        """Send anything."""
        assert self._connection is not None
        with self._sending:
            self._connection.sendall(_HEADER.pack(16 + len(body), command, status, sequence) + body)

    def accept(self, sequence: int) -> str:
        """Answer a submit and return the id given to it."""
        self._ids += 1
        self.send(SUBMIT_SM | 0x80000000, b"%d\0" % self._ids, sequence=sequence)
        return str(self._ids)

    def deliver(self, message: bytes, *, sequence: int, **fields: Any) -> None:
        """Send a deliver_sm from the invented patient, written by the independent codec."""
        tlvs = [smpp34.Tlv(tag, value) for tag, value in fields.pop("tlvs", {}).items()]
        values: dict[str, Any] = {"source_addr_ton": 1, "source_addr_npi": 1, "dest_addr_ton": 1, **fields}
        source = values.pop("source", "12025550143")
        pdu = smpp34.DeliverSm(source, "12025550100", message, tlvs=tlvs, sequence_number=sequence, **values).encode()
        self.send(DELIVER_SM, pdu[16:], sequence=sequence)

    def _listen(self) -> None:
        threading.Thread(target=self._serve, args=(self._listener,), daemon=True).start()

    def _serve(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._connection = connection
            self._talk(connection)
            connection.close()

    def _talk(self, connection: socket.socket) -> None:
        buffer = b""
        while True:
            try:
                octets = connection.recv(65_536)
                buffer += octets
                self.most_at_once = max(self.most_at_once, sum(1 for each in _cut(buffer) if each[1] == SUBMIT_SM))
                while len(buffer) >= 16 and len(buffer) >= _HEADER.unpack_from(buffer)[0]:
                    length, command, status, sequence = _HEADER.unpack_from(buffer)
                    whole, buffer = buffer[:length], buffer[length:]
                    self._take(whole, command, status, sequence)
            except OSError:
                return
            if not octets:
                return

    def _take(self, whole: bytes, command: int, status: int, sequence: int) -> None:
        if command & 0x80000000:
            self.answers.append((command, status, sequence))
        elif command == BIND:
            self.send(BIND | 0x80000000, b"centre\0", status=self.bind_status, sequence=sequence)
        elif command == SUBMIT_SM:
            self._take_submit(smpp34.decode(whole), sequence)
        elif command != self.is_deaf_to:
            self.send(command | 0x80000000, sequence=sequence)

    def _take_submit(self, submit: Any, sequence: int) -> None:
        if self.hold is not None:
            self.submits.append(submit)
            self.hold.append(sequence)
        elif self.submit_status:
            self.send(SUBMIT_SM | 0x80000000, status=self.submit_status, sequence=sequence)
        elif self.behaviour is Behaviour.THROTTLE:
            self.behaviour = Behaviour.ACCEPT
            self.send(SUBMIT_SM | 0x80000000, status=0x58, sequence=sequence)
        elif self.behaviour is Behaviour.REFUSE:
            self.send(SUBMIT_SM | 0x80000000, status=0x66, sequence=sequence)
        elif submit.destination_addr == BAD["sms"].removeprefix("+"):
            self.send(SUBMIT_SM | 0x80000000, status=0x0B, sequence=sequence)
        else:
            self._keep(submit)
            if self.behaviour is Behaviour.CUT:
                self.behaviour = Behaviour.ACCEPT
                self.cut()
            else:
                self.accept(sequence)

    def _keep(self, submit: Any) -> None:
        """Join the segments of a message as a handset does, and note it when it is whole."""
        self.submits.append(submit)
        parts = [submit]
        if submit.esm_class & 0x40:
            reference, total, number = submit.short_message[3:6]
            parts = [each for each in self.submits if each.esm_class & 0x40 and each.short_message[3] == reference]
            if len(parts) < total or number != total:
                return
        text = "".join(text_of(each) for each in parts)
        self.taken.append(Taken(f"+{submit.destination_addr}", text))


def text_of(submit: Any) -> str:
    """Read the text of a submit with a reference library (gsm0338)."""
    octets = next((tlv.value for tlv in submit.tlvs if tlv.tag == 0x0424), submit.short_message)
    if submit.esm_class & 0x40:
        octets = octets[octets[0] + 1 :]
    if submit.data_coding == 8:
        return str(octets.decode("utf-16-be"))
    return str(gsm0338.Codec().decode(octets)[0])


def _cut(buffer: bytes) -> list[tuple[int, int, int, int]]:
    found = []
    while len(buffer) >= 16:
        found.append(_HEADER.unpack_from(buffer))
        buffer = buffer[found[-1][0] :]
    return found
