"""Knows how our messages become SMPP requests, and what a message centre's requests mean to us."""

from __future__ import annotations

import re

from reminders.config_delivery import SmppSection
from reminders.delivery.incoming import Arrival, Incoming, IncomingPart, IncomingReply, Receipt
from reminders.delivery.numbers import to_e164
from reminders.delivery.outgoing import Outgoing
from reminders.delivery.sms_text import Header, decode_sms, split_header
from reminders.delivery.transports.smpp_pdu import Address, ShortMessage, Tag
from reminders.sentences import english
from reminders.wording.sms import split

_UDHI = 0x40
_STATES = {
    0: "SCHEDULED",
    1: "ENROUTE",
    2: "DELIVRD",
    3: "EXPIRED",
    4: "DELETED",
    5: "UNDELIV",
    6: "ACCEPTD",
    7: "UNKNOWN",
    8: "REJECTD",
    9: "SKIPPED",
}
"""SMPP 3.4 section 5.2.28 with appendix B; 0 and 9 are of 5.0."""
_ARRIVALS = {
    "DELIVRD": Arrival.DELIVERED,
    **dict.fromkeys(("EXPIRED", "DELETED", "UNDELIV", "UNKNOWN", "REJECTD", "SKIPPED"), Arrival.FAILED),
}
"""ACCEPTD is not here: somebody took it for the patient, which proves nothing about the patient's phone."""
_KEYS = r"id|sub|dlvrd|submit date|done date|stat|err|text"
_FIELD = re.compile(rf"(?:^|(?<=\s))({_KEYS}):[ \t]*(.*?)(?=\s+(?:{_KEYS}):|\s*$)", re.IGNORECASE | re.DOTALL)
_GSM_UNKNOWN_SUBSCRIBER = bytes((3, 0, 1))
"""network_error_code: GSM network, error 1 (SMPP 3.4 section 5.3.2.31, 3GPP TS 29.002; from memory)."""


def requests_of(message: Outgoing, section: SmppSection) -> tuple[ShortMessage, ...]:
    """Return what carries a message: one request for each segment, or one that leaves the cutting to the centre.

    InputError when the text can't be sent.
    """
    source, destination = source_of(section), Address(ton=1, npi=1, digits=message.address.removeprefix("+"))
    reference = message.id % (0x10000 if section.wide_reference else 0x100)
    parts = split(message.text, reference=reference, wide_reference=section.wide_reference)
    if len(parts) > 1 and section.long_messages == "message_payload":
        whole = b"".join(part.unpacked for part in parts)
        return (
            ShortMessage(
                source=source,
                destination=destination,
                registered_delivery=1,
                data_coding=parts[0].data_coding,
                tlvs={Tag.MESSAGE_PAYLOAD: whole},
            ),
        )
    return tuple(
        ShortMessage(
            source=source,
            destination=destination,
            esm_class=_UDHI if part.udh else 0,
            registered_delivery=1,
            data_coding=part.data_coding,
            content=part.udh + part.unpacked,
        )
        for part in parts
    )


def source_of(section: SmppSection) -> Address:
    """Return our own address: type and plan as configured, else by how it looks.

    A number with + is international; up to 8 digits are a short code, which centres want as network specific;
    anything else is a name (SMPP 3.4 section 5.2.5 and 5.2.6; the short code is common practice).
    """
    sender = section.sender
    if re.fullmatch(r"\+\d{7,15}", sender):
        ton, npi = 1, 1
    elif re.fullmatch(r"\d{3,8}", sender):
        ton, npi = 3, 0
    else:
        ton, npi = (0, 1) if sender.isdecimal() else (5, 0)
    return Address(
        ton=ton if section.sender_ton is None else section.sender_ton,
        npi=npi if section.sender_npi is None else section.sender_npi,
        digits=sender.removeprefix("+"),
    )


def ref_of(message_id: str, section: SmppSection) -> str:
    """Return the reference under which an accepted segment is kept: one word."""
    return _canonical(message_id, section.answer_ids)


def read_request(message: ShortMessage, section: SmppSection, *, region: str, transport: str) -> Incoming:
    """Return what a deliver_sm or data_sm from the message centre means."""
    if message.is_receipt:
        return _read_receipt(message, section, transport)
    header, octets = split_header(message.octets) if message.esm_class & _UDHI else (Header(), message.octets)
    header = _sar_header(message) or header
    sender = _number(message.source, region)
    if header.is_part:
        return IncomingPart(
            sender=sender,
            recipient=_number(message.destination, region),
            reference=header.reference,
            total=header.total,
            number=header.number,
            data_coding=message.data_coding,
            shift=header.shift,
            octets=octets,
        )
    text = decode_sms(octets, message.data_coding, shift=header.shift, alphabet=section.incoming_alphabet)
    return IncomingReply(channel="sms", sender=sender, text=text, offer=_offer(message))


def _read_receipt(message: ShortMessage, section: SmppSection, transport: str) -> Receipt:
    """Read a receipt: the optional parameters where they are there, else the text (SMPP 3.4 appendix B).

    The text's form is each centre's own: keys in any case and order, any of them missing.
    """
    text = decode_sms(message.octets, message.data_coding, alphabet="latin1")
    fields = {key.lower(): value.strip() for key, value in reversed(_FIELD.findall(text))}
    message_id = message.tlvs.get(Tag.RECEIPTED_MESSAGE_ID, b"").partition(b"\0")[0].decode("latin-1")
    state = message.tlvs.get(Tag.MESSAGE_STATE, b"")
    word = _STATES.get(state[0], f"state {state[0]}") if state else fields.get("stat", "").upper()
    error = fields.get("err", "")
    return Receipt(
        transport=transport,
        arrival=_ARRIVALS.get(word, Arrival.UNDERWAY),
        ref=_canonical(message_id or fields.get("id", ""), section.receipt_ids),
        detail=english("{state} (error {error})").format(state=word, error=error) if error.strip("0") else word,
        bad_address=message.tlvs.get(Tag.NETWORK_ERROR_CODE) == _GSM_UNKNOWN_SUBSCRIBER,
    )


def _offer(message: ShortMessage) -> bytes:
    """Return what tells a message from another one: SMPP gives what a person wrote no id of its own."""
    ends = f"{message.source.digits} {message.destination.digits} {message.data_coding} ".encode()
    return ends + message.tlvs.get(Tag.USER_MESSAGE_REFERENCE, b"") + b" " + message.octets


def _sar_header(message: ShortMessage) -> Header | None:
    """Read the optional parameters that some centres use in place of the header (SMPP 3.4 section 5.3.2.22 to 24)."""
    tags = (Tag.SAR_MSG_REF_NUM, Tag.SAR_TOTAL_SEGMENTS, Tag.SAR_SEGMENT_SEQNUM)
    if any(tag not in message.tlvs for tag in tags):
        return None
    reference, total, number = (int.from_bytes(message.tlvs[tag], "big") for tag in tags)
    return Header(reference=reference, total=total, number=number) if 1 <= number <= total <= 255 else None


def _number(address: Address, region: str) -> str:
    return to_e164(f"+{address.digits}" if address.ton == 1 else address.digits, region=region)


def _canonical(message_id: str, written: str) -> str:
    message_id = "".join(message_id.split())
    if written == "text":
        return message_id
    try:
        return str(int(message_id, 16 if written == "hexadecimal" else 10))
    except ValueError:
        return message_id
