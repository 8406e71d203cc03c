"""Knows how SMPP 3.4 writes its messages: headers, fields, optional parameters. No socket, and one reader's state."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum

from reminders.errors import InputError

RESPONSE = 0x80000000
HEADER_OCTETS = 16
LONGEST_OCTETS = 70_000
"""A message_payload of 64 K with everything around it; a longer length is no message but lost synchrony."""
LAST_SEQUENCE = 0x7FFFFFFF
_HEADER = struct.Struct(">IIII")
_TLV = struct.Struct(">HH")
_TYPE_MASK = 0x3C
_RECEIPTS = frozenset({0x04, 0x20})
"""esm_class of a delivery receipt and of an intermediate notification (SMPP 3.4 section 5.2.12)."""


class Command(IntEnum):
    """Names of requests (SMPP 3.4 section 5.1.2.1); a response has the highest bit set as well."""

    GENERIC_NACK = 0x80000000
    SUBMIT_SM = 0x00000004
    DELIVER_SM = 0x00000005
    UNBIND = 0x00000006
    BIND_TRANSCEIVER = 0x00000009
    ENQUIRE_LINK = 0x00000015
    DATA_SM = 0x00000103


class Tag(IntEnum):
    """Names of optional parameters (SMPP 3.4 section 5.3.2)."""

    RECEIPTED_MESSAGE_ID = 0x001E
    USER_MESSAGE_REFERENCE = 0x0204
    SAR_MSG_REF_NUM = 0x020C
    SAR_TOTAL_SEGMENTS = 0x020E
    SAR_SEGMENT_SEQNUM = 0x020F
    NETWORK_ERROR_CODE = 0x0423
    MESSAGE_PAYLOAD = 0x0424
    MESSAGE_STATE = 0x0427


@dataclass(frozen=True, kw_only=True, slots=True)
class Pdu:
    """One message of the protocol as it stands on the wire."""

    command: int
    status: int = 0
    sequence: int
    body: bytes = b""

    def encode(self) -> bytes:
        """Return its octets."""
        return _HEADER.pack(HEADER_OCTETS + len(self.body), self.command, self.status, self.sequence) + self.body


@dataclass(frozen=True, kw_only=True, slots=True)
class Address:
    """A number or a name with its type and numbering plan."""

    ton: int
    npi: int
    digits: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ShortMessage:
    """The fields of submit_sm, deliver_sm and data_sm that we use (SMPP 3.4 sections 4.4, 4.6 and 4.7)."""

    source: Address
    destination: Address
    esm_class: int = 0
    registered_delivery: int = 0
    data_coding: int = 0
    content: bytes = b""
    tlvs: Mapping[int, bytes] = field(default_factory=dict)

    @property
    def octets(self) -> bytes:
        """The text, wherever it stands: among the fields, or in message_payload."""
        return self.tlvs.get(Tag.MESSAGE_PAYLOAD, b"") or self.content

    @property
    def is_receipt(self) -> bool:
        """Whether it tells of a message of ours, and nobody wrote it."""
        return self.esm_class & _TYPE_MASK in _RECEIPTS


class PduReader:
    """Cuts what arrives into messages."""

    def __init__(self) -> None:
        """Begin at the start of a connection."""
        self._buffer = bytearray()

    def feed(self, octets: bytes) -> Iterator[Pdu]:
        """Give the messages that are whole now; InputError when the other side has lost synchrony."""
        self._buffer += octets
        while len(self._buffer) >= HEADER_OCTETS:
            length, command, status, sequence = _HEADER.unpack_from(self._buffer)
            if not HEADER_OCTETS <= length <= LONGEST_OCTETS:
                raise InputError(f"a message of {length} octets can't be")
            if len(self._buffer) < length:
                return
            body = bytes(self._buffer[HEADER_OCTETS:length])
            del self._buffer[:length]
            yield Pdu(command=command, status=status, sequence=sequence, body=body)


def bind_body(*, system_id: str, password: str, system_type: str) -> bytes:
    """Return the body of bind_transceiver for version 3.4 (SMPP 3.4 section 4.1.5)."""
    return _text(system_id) + _text(password) + _text(system_type) + bytes((0x34, 0, 0)) + _text("")


def submit_body(message: ShortMessage) -> bytes:
    """Return the body of submit_sm; deliver_sm has the same fields. InputError when the content is too long."""
    if len(message.content) > 254:
        raise InputError(f"{len(message.content)} octets don't fit into short_message; 254 do")
    return b"".join(
        (
            _text(""),  # service_type
            _address(message.source),
            _address(message.destination),
            bytes((message.esm_class, 0, 0)),  # protocol_id, priority_flag
            _text("") + _text(""),  # schedule_delivery_time, validity_period
            bytes((message.registered_delivery, 0, message.data_coding, 0, len(message.content))),
            message.content,
            *(_TLV.pack(tag, len(value)) + value for tag, value in message.tlvs.items()),
        )
    )


def read_deliver(body: bytes) -> ShortMessage:
    """Read the body of deliver_sm or submit_sm; InputError when it is cut short."""
    fields = _Fields(body)
    fields.text()
    source, destination = fields.address(), fields.address()
    esm_class, _, _ = fields.octets(3)
    fields.text()
    fields.text()
    registered_delivery, _, data_coding, _, length = fields.octets(5)
    content = fields.octets(length)
    return ShortMessage(
        source=source,
        destination=destination,
        esm_class=esm_class,
        registered_delivery=registered_delivery,
        data_coding=data_coding,
        content=content,
        tlvs=fields.tlvs(),
    )


def read_data(body: bytes) -> ShortMessage:
    """Read the body of data_sm, whose text is always in message_payload; InputError when it is cut short."""
    fields = _Fields(body)
    fields.text()
    source, destination = fields.address(), fields.address()
    esm_class, registered_delivery, data_coding = fields.octets(3)
    return ShortMessage(
        source=source,
        destination=destination,
        esm_class=esm_class,
        registered_delivery=registered_delivery,
        data_coding=data_coding,
        tlvs=fields.tlvs(),
    )


def read_text(body: bytes) -> str:
    """Read the one text that a response consists of, such as the message id; "" when there is none."""
    return body.partition(b"\0")[0].decode("latin-1")


class _Fields:
    """Reads fields one after the other."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def text(self) -> str:
        end = self._body.find(b"\0", self._at)
        if end < 0:
            raise InputError("a text has no end")
        text = self._body[self._at : end].decode("latin-1")
        self._at = end + 1
        return text

    def octets(self, count: int) -> bytes:
        found = self._body[self._at : self._at + count]
        if len(found) < count:
            raise InputError("a field is cut short")
        self._at += count
        return found

    def address(self) -> Address:
        ton, npi = self.octets(2)
        return Address(ton=ton, npi=npi, digits=self.text())

    def tlvs(self) -> dict[int, bytes]:
        found: dict[int, bytes] = {}
        while self._at < len(self._body):
            tag, length = _TLV.unpack(self.octets(_TLV.size))
            found.setdefault(tag, self.octets(length))
        return found


def _text(text: str) -> bytes:
    return text.encode("latin-1") + b"\0"


def _address(address: Address) -> bytes:
    return bytes((address.ton, address.npi)) + _text(address.digits)
