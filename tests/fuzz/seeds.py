"""Sound inputs to begin from."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime

from reminders.delivery.transports.smpp_pdu import Address, ShortMessage, submit_body
from tests.build import PLANS

NOW = datetime(2026, 6, 10, 15, 30, tzinfo=UTC)


def _replies() -> list[bytes]:
    found: list[bytes] = []
    for path in sorted((PLANS.parent / "tests" / "replies" / "sets").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as lines:
            found += [row["text"].encode() for row in csv.DictReader(lines) if row.get("text")]
    return found


REPLIES = _replies()

_HEAD = b"From: Robin Invented <robin@example.org>\r\nTo: desk@example.org\r\nMessage-ID: <1@example.org>\r\n"
MAILS = (
    _HEAD
    + b"Subject: =?utf-8?q?Re=3A_Care?=\r\nIn-Reply-To: <2@example.org>\r\n\r\nit is red\r\n\r\n> How are you?\r\n",
    _HEAD
    + b"MIME-Version: 1.0\r\nContent-Type: multipart/alternative; boundary=b\r\n\r\n--b\r\nContent-Type: text/plain;"
    b" charset=utf-8\r\nContent-Transfer-Encoding: base64\r\n\r\naXQgaXMgcmVk\r\n--b\r\nContent-Type: text/html\r\n\r\n"
    b"<p>it is <b>red</b></p>\r\n--b--\r\n",
    (
        b"From: MAILER-DAEMON@mail.example.org\r\nContent-Type: multipart/report;"
        b" report-type=delivery-status; boundary=b\r\n"
        b"MIME-Version: 1.0\r\n\r\n--b\r\nContent-Type: text/plain\r\n\r\nno\r\n--b\r\n"
        b"Content-Type: message/delivery-status\r\n"
        b"\r\nReporting-MTA: dns; mail.example.org\r\n\r\nFinal-Recipient: rfc822; robin@example.org\r\n"
        b"Action: failed\r\n"
        b"Status: 5.1.1\r\n\r\n--b\r\nContent-Type: message/rfc822\r\n\r\n"
        b"Message-ID: <3@example.org>\r\n\r\nx\r\n--b--\r\n"
    ),
    b"From: a@example.org\r\nAuto-Submitted: auto-replied\r\nSubject: Out of office\r\n\r\nI am away.\r\n",
)

BUNDLE = json.dumps(
    {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "fullUrl": "urn:uuid:1",
                "resource": {
                    "resourceType": "Patient",
                    "id": "p1",
                    "name": [{"family": "Invented", "given": ["Robin"]}],
                    "telecom": [{"system": "phone", "value": "312-555-0123", "use": "mobile"}],
                    "communication": [{"language": {"coding": [{"code": "es"}]}, "preferred": True}],
                },
            },
            {
                "resource": {
                    "resourceType": "Procedure",
                    "code": {"text": "Nail"},
                    "subject": {"reference": "urn:uuid:1"},
                    "performedPeriod": {"end": "2026-06-10T10:30:00-05:00"},
                }
            },
            {
                "resource": {
                    "resourceType": "Appointment",
                    "start": "2026-06-24T10:00:00-05:00",
                    "participant": [{"actor": {"reference": "urn:uuid:1"}}],
                }
            },
        ],
    }
).encode()


def _deliver(content: bytes, *, esm_class: int = 0, data_coding: int = 0) -> bytes:
    here, there = Address(digits="13125550123", ton=1, npi=1), Address(digits="3125550100", ton=0, npi=1)
    return submit_body(
        ShortMessage(source=here, destination=there, content=content, esm_class=esm_class, data_coding=data_coding)
    )


DELIVER = (
    _deliver(b"it is red"),
    _deliver(
        b"id:123 sub:001 dlvrd:001 submit date:2606101530 done date:2606101531 stat:DELIVRD err:000 text:", esm_class=4
    ),
    _deliver("дышать тяжело".encode("utf-16-be"), data_coding=8),
    _deliver(b"\x05\x00\x03\x07\x02\x01it is", esm_class=0x40),
)
