"""What reads things from outside: each with sound inputs to begin from, and the errors it may answer with."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import mkdtemp
from urllib.parse import urlencode

from reminders.care.loading import load_plan
from reminders.config_delivery import SmppSection
from reminders.config_hooks import ReceiptHookSection, ReplyHookSection
from reminders.delivery.hook_reading import read_receipts, read_replies
from reminders.delivery.hooks import HookCall, HookGuard, verify
from reminders.delivery.transports.smpp_pdu import read_data, read_deliver
from reminders.delivery.transports.smpp_text import read_request
from reminders.errors import ReminderError
from reminders.exchange.enrollment_csv import ListForm, read_enrollments
from reminders.exchange.fhir_reading import read_fhir
from reminders.exchange.hl7_reading import read_hl7
from reminders.exchange.mail_quotes import own_words
from reminders.exchange.mail_reading import read_mail
from reminders.replies.triage import triage
from reminders.wording.render import Wording
from tests.build import LEAD, PLANS
from tests.exchange.test_hl7_reading import A04, S12
from tests.exchange.test_spreadsheet import HEADING, workbook
from tests.fuzz.seeds import BUNDLE, DELIVER, MAILS, NOW, REPLIES


@dataclass(frozen=True, kw_only=True)
class Reader:
    """Something that reads."""

    seeds: Sequence[bytes]
    read: Callable[[bytes], object]
    may_raise: tuple[type[Exception], ...] = (ReminderError,)
    share: float = 1.0
    """How many inputs it gets, of those that are asked for: slow ones get fewer."""


_REPLY = ReplyHookSection(sender="from", text="text", id="id")
_RECEIPT = ReceiptHookSection(id="id", status="status", delivered=("DELIVRD",), failed=("UNDELIV",))
_PATTERN = r"from(?P<from>[^<]*?)text(?P<text>[^<]*?)id"
_GUARD = HookGuard(signature_header="x-signature", timestamp_header="x-timestamp", secrets=(b"s",), user="gateway")
_KINDS = ("application/json", "application/x-www-form-urlencoded", "text/plain", "multipart/form-data; boundary=x", "")
_CENTRE = SmppSection.model_validate(
    {"host": "127.0.0.1", "system_id": "s", "password": {"env": "NOBODY_ASKS"}, "sender": "+13125550100"}
)
_JSON = [
    json.dumps({"from": "+13125550123", "text": "it is red", "id": "7", "status": "DELIVRD"}).encode(),
    json.dumps({"message": {"from": "3125550123", "text": None, "list": [1, {"id": 7}]}}).encode(),
]
_FORM = urlencode({"from": "+13125550123", "text": "ok thanks", "id": "7", "status": "UNDELIV"}).encode()
_CSV = (
    b"first_name,phone,end,consent\nPat,312-555-0123,2026-03-07T15:30,yes\n",
    "first name;mobile;date;time;consent\nZoë;(312) 555-0124;7.3.2026;15:30;x\n".encode("utf-16"),
    b'"first_name"\t"phone"\t"end"\t"consent"\n"Pa""t"\t""\t""\t""\n',
)


def _hook(octets: bytes) -> None:
    kind, _, body = octets.partition(b"\n")
    headers = {"content-type": kind.decode("latin-1"), "x-signature": "sha256=00", "authorization": "Basic Zm9v"}
    call = HookCall(headers=headers, query={"text": body[:80].decode("latin-1")}, body=body, client="192.0.2.7")
    for read in (
        partial(verify, _GUARD, now=NOW),
        partial(read_replies, _REPLY, region="US"),
        partial(read_receipts, _RECEIPT),
        partial(read_replies, _REPLY.model_copy(update={"pattern": _PATTERN}), region="US"),
        partial(read_receipts, _RECEIPT.model_copy(update={"each": "message.list"})),
    ):
        try:
            read(call=call)
        except ReminderError:
            continue


def _mail(octets: bytes) -> None:
    mail = read_mail(octets)
    own_words(octets.decode("utf-8", "replace"), [str(mail)])


def _triage(octets: bytes) -> None:
    text = octets.decode("utf-8", "replace")
    after = ("none", "checkin_pain", "dressing_off")[len(text) % 3]
    found = triage(text, after=after, language=("en", "es")[len(text) % 2])
    for one in found.why:
        if not 0 <= one.start <= one.end <= len(text):
            raise AssertionError(f"evidence lies outside of the text: {one.start}, {one.end}")


def _plan(octets: bytes, folder: Path) -> None:
    (folder / LEAD / "plan.toml").write_bytes(octets)
    Wording(load_plan(folder / LEAD)).faults()


def _plans() -> Path:
    """Copy the plans to where a plan may be damaged."""
    folder = Path(mkdtemp(prefix="reminders-fuzz-"))
    for path in PLANS.rglob("*"):
        if path.is_file() and path.relative_to(PLANS).parts[0] in {"shared", LEAD}:
            target = folder / path.relative_to(PLANS)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    return folder


def _deliver(octets: bytes) -> None:
    with suppress(ReminderError):
        read_request(read_data(octets), _CENTRE, region="US", transport="smpp")
    read_request(read_deliver(octets), _CENTRE, region="US", transport="smpp")


def readers() -> dict[str, Reader]:
    """Return every reader by name."""
    return {
        "replies": Reader(seeds=REPLIES, read=_triage, may_raise=()),
        "hooks": Reader(
            seeds=[kind.encode() + b"\n" + body for kind in _KINDS for body in (*_JSON, _FORM)],
            read=_hook,
            may_raise=(),
        ),
        "csv": Reader(seeds=_CSV, read=lambda octets: read_enrollments(octets, ListForm())),
        "workbooks": Reader(
            seeds=[workbook(HEADING, ["Pat", "312-555-0123", "2026-03-07", "15:30", "yes"])],
            read=lambda octets: read_enrollments(octets, ListForm()),
            share=0.3,
        ),
        "hl7": Reader(seeds=[A04.encode(), S12.encode(), (A04 + S12).encode("latin-1")], read=read_hl7),
        "fhir": Reader(seeds=[BUNDLE], read=read_fhir),
        "mails": Reader(seeds=MAILS, read=_mail, may_raise=(), share=0.5),
        "smpp": Reader(seeds=DELIVER, read=_deliver),
        "plans": Reader(
            seeds=[(PLANS / LEAD / "plan.toml").read_bytes()], read=partial(_plan, folder=_plans()), share=0.02
        ),
    }
