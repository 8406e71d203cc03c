"""Which calls are believed, and what they say."""

from __future__ import annotations

import base64
import hashlib
import hmac
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from reminders.config_hooks import HookAuthSection, ReceiptHookSection, ReplyHookSection
from reminders.delivery.hook_reading import read_receipts, read_replies
from reminders.delivery.hooks import (
    HookCall,
    HookGuard,
    NotBelieved,
    NotReadable,
    digest,
    guard_of,
    verify,
)
from reminders.delivery.incoming import Arrival, IncomingReply
from reminders.errors import ConfigError

NEW_YEAR = datetime(2026, 1, 1, tzinfo=UTC)
BODY = b'{"id":"m1","text":"STOP"}'
SIGNED = "f5d72ec8dce19635d991f93ff6af5aa3e9024105ff6a3e8be1c23e4a71eb6e79"
"""Over `1767225600.` and BODY with the key `test-secret`; computed with OpenSSL's command line."""
GUARD = HookGuard(
    signature_header="x-signature", timestamp_header="x-timestamp", prefix="sha256=", secrets=(b"test-secret", b"new")
)


def _sign(secret: bytes, body: bytes = BODY) -> str:
    return hmac.new(secret, b"1767225600." + body, hashlib.sha256).hexdigest()


def _call(**changes: str) -> HookCall:
    headers = {"x-signature": f"sha256={SIGNED}", "x-timestamp": "1767225600", "content-type": "application/json"}
    return HookCall(headers=headers | changes, body=BODY)


def test_the_signature_is_the_published_one() -> None:
    assert _sign(b"test-secret") == SIGNED


@pytest.mark.parametrize(
    ("hashed_by", "known"),
    [
        # RFC 4231 section 4.3, test case 2
        ("sha256", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        (
            "sha512",
            (
                "164b7a7bfcf819e2e395fbe73b56e0a387bd64222e831fd610270cd7ea250554"
                "9758bf75c05a994a6d034f65f8f0e6fdcaeab1a34d4a6b4b636e070a38bce737"
            ),
        ),
    ],
)
def test_the_primitive_is_that_of_rfc_4231(hashed_by: str, known: str) -> None:
    guard = HookGuard(hashed_by=hashed_by)
    assert digest(guard, b"Jefe", b"what do ya want for nothing?").hex() == known


@pytest.mark.parametrize("seconds", [-300, 0, 300])
def test_a_signed_call_is_believed_within_the_window(seconds: int) -> None:
    verify(GUARD, _call(), now=NEW_YEAR + timedelta(seconds=seconds))


@pytest.mark.parametrize("seconds", [-301, 301])
def test_a_signed_call_is_not_believed_later_or_earlier(seconds: int) -> None:
    with pytest.raises(NotBelieved, match="time stamp"):
        verify(GUARD, _call(), now=NEW_YEAR + timedelta(seconds=seconds))


WITHIN_ONE_HEADER = {"hmac_header": "X-Sign", "hmac_pattern": r"t=(?P<timestamp>[^,]+),\s*v1=(?P<signature>[^,]+)"}


@pytest.mark.parametrize(
    ("settings", "headers"),
    [
        # Computed with OpenSSL's command line, `openssl dgst -sha256 -hmac test-secret`, over what is signed.
        pytest.param(
            {"hmac_header": "X-S", "timestamp_header": "X-T", "hmac_encoding": "base64"},
            {"x-s": "9dcuyNzhljXZkfk/9q9ao+kCQQX/aj6L4cI+SnHrbnk=", "x-t": "1767225600"},
            id="in base64",
        ),
        pytest.param(WITHIN_ONE_HEADER, {"x-sign": f"t=1767225600, v1={SIGNED}"}, id="both in one header"),
        pytest.param(
            {"hmac_header": "X-S", "timestamp_header": "X-T", "hmac_signs": "v0:{timestamp}:{body}"},
            {"x-s": "e849629d349b52398fd7ae15c4926c35d49ba14ee3bcb499899168b9554225a4", "x-t": "1767225600"},
            id="put together otherwise",
        ),
        pytest.param(
            {"hmac_header": "X-S", "timestamp_header": "X-T"},
            {"x-s": "c1da5e8ec6215826953cb084ade033121eccdbb6fa11a6decca07293b9c7b016", "x-t": "1767225600123"},
            id="milliseconds",
        ),
        pytest.param(
            {"hmac_header": "X-S", "timestamp_header": "X-T"},
            {
                "x-s": "e6a32a30da0fde52dca4f2a6fe943c23af83d341fc85d7969c1e3a95900d9dd0",
                "x-t": "2026-01-01T00:00:00Z",
            },
            id="ISO 8601",
        ),
    ],
)
def test_signatures_of_other_forms_are_believed_as_they_are_described(
    settings: dict[str, Any], headers: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOOK_SECRET", "test-secret")
    section = HookAuthSection.model_validate({**settings, "hmac_secrets": [{"env": "HOOK_SECRET"}]})
    guard = guard_of(section, folder=Path())
    verify(guard, HookCall(headers=headers, body=BODY), now=NEW_YEAR)
    for forged in (
        HookCall(headers=headers, body=BODY + b" "),
        HookCall(headers={name: text.replace("17", "18").replace("2026", "2027") for name, text in headers.items()}),
        HookCall(headers={}, body=BODY),
    ):
        with pytest.raises(NotBelieved):
            verify(guard, forged, now=NEW_YEAR)
    with pytest.raises(NotBelieved, match="too far"):
        verify(guard, HookCall(headers=headers, body=BODY), now=NEW_YEAR + timedelta(seconds=302))


@pytest.mark.parametrize(
    "settings",
    [
        pytest.param({"hmac_header": "X-S", "timestamp_header": "X-T", "hmac_signs": "{body}"}, id="no moment"),
        pytest.param({"hmac_header": "X-S", "timestamp_header": "X-T", "hmac_signs": "{timestamp}"}, id="no body"),
        pytest.param({"hmac_header": "X-S", "hmac_pattern": "v1=(?P<signature>.*)"}, id="a pattern without a moment"),
        pytest.param({**WITHIN_ONE_HEADER, "timestamp_header": "X-T"}, id="two places of the moment"),
    ],
)
def test_a_signature_that_would_not_stop_a_recorded_call_is_refused(settings: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        HookAuthSection.model_validate({**settings, "hmac_secrets": [{"env": "HOOK_SECRET"}]})


@pytest.mark.parametrize("secret", [b"test-secret", b"new"])
def test_either_of_two_secrets_will_do_while_one_takes_over(secret: bytes) -> None:
    verify(GUARD, _call(**{"x-signature": "sha256=" + _sign(secret)}), now=NEW_YEAR)


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"x-signature": "sha256=" + _sign(b"old")}, id="another secret"),
        pytest.param({"x-signature": "sha256=" + _sign(b"new", BODY + b" ")}, id="another body"),
        pytest.param({"x-timestamp": "1767225601"}, id="another time stamp"),
        pytest.param({"x-timestamp": "soon"}, id="no time stamp"),
        pytest.param({"x-timestamp": "９"}, id="a digit of another script"),
        pytest.param({"x-signature": ""}, id="no signature"),
        pytest.param({"x-signature": "sha256=é"}, id="letters outside ASCII"),
    ],
)
def test_a_forged_call_is_not_believed(changes: dict[str, str]) -> None:
    with pytest.raises(NotBelieved):
        verify(GUARD, _call(**changes), now=NEW_YEAR)


def test_what_the_signature_does_not_cover_is_not_believed() -> None:
    call = HookCall(headers=_call().headers, body=BODY, query={"text": "yes"})
    with pytest.raises(NotBelieved, match="question mark"):
        verify(GUARD, call, now=NEW_YEAR)


@pytest.mark.parametrize(
    ("client", "believed"),
    [
        ("192.0.2.7", True),
        ("192.0.3.7", False),
        ("::ffff:192.0.2.7", True),
        ("2001:db8::1", True),
        ("2001:db9::1", False),
        ("fe80::1%eth0", False),
        ("", False),
        ("somewhere", False),
    ],
)
def test_addresses_are_looked_up_in_networks(client: str, believed: bool) -> None:
    section = HookAuthSection(addresses=("192.0.2.0/24", "2001:db8::/32"))
    guard = guard_of(section, folder=Path())
    call = HookCall(headers={"x-forwarded-for": "192.0.2.7"}, client=client)
    if believed:
        verify(guard, call, now=NEW_YEAR)
    else:
        with pytest.raises(NotBelieved, match="address"):
            verify(guard, call, now=NEW_YEAR)


@pytest.mark.parametrize(
    ("header", "believed"),
    [
        # RFC 7617 section 2: the example's user and password
        ("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", True),
        ("basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", True),
        ("Basic " + base64.b64encode(b"Aladdin:open").decode(), False),
        ("Bearer QWxhZGRpbjpvcGVuIHNlc2FtZQ==", False),
        ("Basic ???", False),
        ("", False),
    ],
)
def test_a_password_is_asked_for(header: str, believed: bool) -> None:
    guard = HookGuard(user="Aladdin", password="open sesame")
    call = HookCall(headers={"authorization": header})
    if believed:
        verify(guard, call, now=NEW_YEAR)
    else:
        with pytest.raises(NotBelieved, match="password"):
            verify(guard, call, now=NEW_YEAR)


def test_everything_that_is_asked_for_is_needed() -> None:
    guard = HookGuard(
        user="Aladdin",
        password="open sesame",
        networks=guard_of(HookAuthSection(addresses=("192.0.2.0/24",)), folder=Path()).networks,
    )
    with pytest.raises(NotBelieved, match="password"):
        verify(guard, HookCall(headers={}, client="192.0.2.7"), now=NEW_YEAR)


def test_a_guard_that_asks_for_nothing_believes_nobody() -> None:
    with pytest.raises(NotBelieved):
        verify(HookGuard(), HookCall(headers={}), now=NEW_YEAR)
    with pytest.raises(ValidationError, match="anybody could call"):
        HookAuthSection()


def test_secrets_stand_in_no_representation() -> None:
    assert "test-secret" not in repr(GUARD)
    assert "sesame" not in repr(HookGuard(user="Aladdin", password="open sesame"))


def test_a_missing_secret_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOT_THERE", raising=False)
    section = HookAuthSection.model_validate(
        {"hmac_header": "X-S", "timestamp_header": "X-T", "hmac_secrets": [{"env": "NOT_THERE"}]}
    )
    with pytest.raises(ConfigError, match="NOT_THERE"):
        guard_of(section, folder=Path())


JSON_REPLY = ReplyHookSection(sender="data.from.number", text="data.body", id="data.id")
FORM_REPLY = ReplyHookSection(sender="From", text="Body", id="Id")


def _json(body: str) -> HookCall:
    return HookCall(headers={"content-type": "application/json; charset=utf-8"}, body=body.encode())


def _form(body: str) -> HookCall:
    return HookCall(headers={"content-type": "application/x-www-form-urlencoded"}, body=body.encode())


def _reply(mapping: ReplyHookSection, call: HookCall) -> IncomingReply:
    (reply,) = read_replies(mapping, call, region="US").found
    return reply


def test_a_reply_in_json_is_read_by_its_paths() -> None:
    reply = _reply(JSON_REPLY, _json('{"data": {"id": 7, "from": {"number": "12025550143"}, "body": "me duele 😀"}}'))
    assert (reply.sender, reply.text, reply.gateway_ref) == ("+12025550143", "me duele 😀", "7")


def test_a_reply_in_a_form_is_read_by_its_fields() -> None:
    reply = _reply(FORM_REPLY, _form("From=%2B12025550143&Body=it+hurts+%26+bleeds&Id=m%2F1"))
    assert (reply.sender, reply.text, reply.gateway_ref) == ("+12025550143", "it hurts & bleeds", "m/1")


def test_a_reply_behind_the_question_mark_is_read_like_a_form() -> None:
    call = HookCall(headers={"content-type": "text/plain"}, query={"From": "12025550143", "Body": "yes"}, body=b"yes")
    assert _reply(FORM_REPLY, call).text == "yes"


def test_an_empty_reply_is_a_reply() -> None:
    assert _reply(FORM_REPLY, _form("From=%2B12025550143&Body=")).text == ""


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(_json("{}"), id="nothing in it"),
        pytest.param(_json("{"), id="no JSON"),
        pytest.param(_json('{"data": {"from": {"number": {}}, "body": "x"}}'), id="an object for a number"),
        pytest.param(HookCall(headers={"content-type": "image/png"}, body=b"x"), id="a picture"),
    ],
)
def test_a_call_that_lacks_something_is_not_readable(call: HookCall) -> None:
    with pytest.raises(NotReadable):
        _reply(JSON_REPLY, call)


def test_a_reply_in_the_parts_of_a_form_is_read_by_its_fields() -> None:
    body = (
        b'--x\r\nContent-Disposition: form-data; name="From"\r\n\r\n+12025550143\r\n'
        b'--x\r\nContent-Disposition: form-data; name="Body"\r\n\r\n\xc2\xbfduele? & sangra\r\n'
        b'--x\r\nContent-Disposition: form-data; name="Media"; filename="a.png"\r\n\r\n\x89PNG\r\n--x--\r\n'
    )
    call = HookCall(headers={"content-type": 'multipart/form-data; boundary="x"'}, body=body)
    reply = _reply(FORM_REPLY, call)
    assert (reply.sender, reply.text) == ("+12025550143", "¿duele? & sangra")


XML = ReplyHookSection(pattern=r"<from>(?P<from>[^<]*)</from>\s*<text>(?P<text>[^<]*)<", sender="from", text="text")
ONE = "<sms><from>+1202555014{n}</from>\n<text>{text}</text></sms>"


@pytest.mark.parametrize(
    ("kind", "body", "texts"),
    [
        ("text/xml", ONE.format(n=3, text="it&#39;s hot &amp; red").encode(), ["it's hot & red"]),
        ("application/xml; charset=iso-8859-1", ONE.format(n=3, text="sí").encode("latin-1"), ["sí"]),
        ("text/plain", ONE.format(n=3, text="A &amp; B").encode(), ["A &amp; B"]),
        ("text/xml; charset=none-such", (ONE.format(n=3, text="a") + ONE.format(n=4, text="b")).encode(), ["a", "b"]),
    ],
)
def test_what_a_pattern_fits_is_read_each_time(kind: str, body: bytes, texts: list[str]) -> None:
    read = read_replies(XML, HookCall(headers={"content-type": kind}, body=body), region="US")
    assert [each.text for each in read.found] == texts
    assert read.found[0].sender == "+12025550143"


@pytest.mark.parametrize("body", [b"", b"<sms/>", b"<from>" * 5_000])
def test_a_body_that_the_pattern_does_not_fit_is_not_readable(body: bytes) -> None:
    with pytest.raises(NotReadable):
        read_replies(XML, HookCall(headers={"content-type": "text/xml"}, body=body), region="US")


@pytest.mark.parametrize(
    ("each", "body"),
    [("data.events", '{"data": {"events": [%s]}}'), (".", "[%s]"), ("event", '{"event": %s}')],
    ids=["within", "the body itself", "one alone"],
)
def test_each_of_a_list_is_read(each: str, body: str) -> None:
    events = ['{"m": {"id": "a"}, "ok": true}', '{"m": {"id": "b"}, "ok": false}', '{"kind": "opened"}']
    some = events[:1] if each == "event" else events
    mapping = ReceiptHookSection(each=each, id="m.id", status="ok", delivered=("true",), failed=("false",))
    read = read_receipts(mapping, _json(body % ", ".join(some)))
    assert [(one.ref, one.arrival) for one in read.found] == [("a", Arrival.DELIVERED), ("b", Arrival.FAILED)][
        : len(some)
    ]
    assert len(read.faults) == (len(some) > 1)


@pytest.mark.parametrize("body", ['{"other": 1}', '{"events": [{"x": 1}]}', '{"events": 7}', "[]"])
def test_a_list_that_is_not_there_or_holds_nothing_of_ours_is_not_readable(body: str) -> None:
    with pytest.raises(NotReadable):
        read_replies(ReplyHookSection(each="events", sender="from", text="body"), _json(body), region="US")


def test_an_empty_list_is_about_nothing() -> None:
    read = read_replies(ReplyHookSection(each=".", sender="from", text="body"), _json("[]"), region="US")
    assert (read.found, read.faults) == ((), ())


RECEIPT = ReceiptHookSection(
    id="id", key="key", status="status", reason="error", delivered=("ok",), failed=("bad",), bad_address=("30003",)
)


@pytest.mark.parametrize(
    ("body", "arrival", "detail", "bad_address"),
    [
        ("id=a&status=ok", Arrival.DELIVERED, "ok", False),
        ("id=a&status=bad&error=7", Arrival.FAILED, "bad: 7", False),
        ("id=a&status=bad&error=30003", Arrival.FAILED, "bad: 30003", True),
        ("id=a&status=queued", Arrival.UNDERWAY, "queued", False),
    ],
)
def test_a_receipt_says_what_became_of_a_message(body: str, arrival: Arrival, detail: str, bad_address: bool) -> None:
    (receipt,) = read_receipts(RECEIPT, _form(body)).found
    assert (receipt.ref, receipt.arrival, receipt.detail, receipt.bad_address) == ("a", arrival, detail, bad_address)


@pytest.mark.parametrize("body", ["status=ok", "id=a", "id=&key=&status=ok"])
def test_a_receipt_about_nothing_or_without_status_is_not_readable(body: str) -> None:
    with pytest.raises(NotReadable):
        read_receipts(RECEIPT, _form(body))
