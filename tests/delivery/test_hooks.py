"""Which calls are believed, and what they say."""

from __future__ import annotations

import base64
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import ValidationError

from reminders.config_hooks import HookAuthSection, ReceiptHookSection, ReplyHookSection
from reminders.delivery.hooks import (
    HookCall,
    HookGuard,
    NotBelieved,
    NotReadable,
    guard_of,
    read_receipt,
    read_reply,
    sign,
    verify,
)
from reminders.delivery.incoming import Arrival
from reminders.errors import ConfigError

NEW_YEAR = datetime(2026, 1, 1, tzinfo=UTC)
BODY = b'{"id":"m1","text":"STOP"}'
SIGNED = "f5d72ec8dce19635d991f93ff6af5aa3e9024105ff6a3e8be1c23e4a71eb6e79"
"""Over `1767225600.` and BODY with the key `test-secret`; computed with OpenSSL's command line."""
GUARD = HookGuard(
    signature_header="x-signature", timestamp_header="x-timestamp", prefix="sha256=", secrets=(b"test-secret", b"new")
)


def _call(**changes: str) -> HookCall:
    headers = {"x-signature": f"sha256={SIGNED}", "x-timestamp": "1767225600", "content-type": "application/json"}
    return HookCall(headers=headers | changes, body=BODY)


def test_the_signature_is_the_published_one() -> None:
    assert sign(b"test-secret", "1767225600", BODY) == SIGNED


def test_the_primitive_is_that_of_rfc_4231() -> None:
    # RFC 4231 case 2 signs text without a dot: it is put together from what stands around the first one we add.
    import hashlib  # noqa: PLC0415
    import hmac  # noqa: PLC0415

    known = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == known
    assert sign(b"Jefe", "1", b"x") == hmac.new(b"Jefe", b"1.x", hashlib.sha256).hexdigest()


@pytest.mark.parametrize("seconds", [-300, 0, 300])
def test_a_signed_call_is_believed_within_the_window(seconds: int) -> None:
    verify(GUARD, _call(), now=NEW_YEAR + timedelta(seconds=seconds))


@pytest.mark.parametrize("seconds", [-301, 301])
def test_a_signed_call_is_not_believed_later_or_earlier(seconds: int) -> None:
    with pytest.raises(NotBelieved, match="time stamp"):
        verify(GUARD, _call(), now=NEW_YEAR + timedelta(seconds=seconds))


@pytest.mark.parametrize("secret", [b"test-secret", b"new"])
def test_either_of_two_secrets_will_do_while_one_takes_over(secret: bytes) -> None:
    verify(GUARD, _call(**{"x-signature": "sha256=" + sign(secret, "1767225600", BODY)}), now=NEW_YEAR)


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"x-signature": "sha256=" + sign(b"old", "1767225600", BODY)}, id="another secret"),
        pytest.param({"x-signature": "sha256=" + sign(b"new", "1767225600", BODY + b" ")}, id="another body"),
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


def test_a_reply_in_json_is_read_by_its_paths() -> None:
    reply = read_reply(
        JSON_REPLY, _json('{"data": {"id": 7, "from": {"number": "12025550143"}, "body": "me duele 😀"}}'), region="US"
    )
    assert (reply.sender, reply.text, reply.gateway_ref) == ("+12025550143", "me duele 😀", "7")


def test_a_reply_in_a_form_is_read_by_its_fields() -> None:
    reply = read_reply(FORM_REPLY, _form("From=%2B12025550143&Body=it+hurts+%26+bleeds&Id=m%2F1"), region="US")
    assert (reply.sender, reply.text, reply.gateway_ref) == ("+12025550143", "it hurts & bleeds", "m/1")


def test_a_reply_behind_the_question_mark_is_read_like_a_form() -> None:
    call = HookCall(headers={"content-type": "text/plain"}, query={"From": "12025550143", "Body": "yes"}, body=b"yes")
    assert read_reply(FORM_REPLY, call, region="US").text == "yes"


def test_an_empty_reply_is_a_reply() -> None:
    assert read_reply(FORM_REPLY, _form("From=%2B12025550143&Body="), region="US").text == ""


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
        read_reply(JSON_REPLY, call, region="US")


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
    receipt = read_receipt(RECEIPT, _form(body))
    assert (receipt.ref, receipt.arrival, receipt.detail, receipt.bad_address) == ("a", arrival, detail, bad_address)


@pytest.mark.parametrize("body", ["status=ok", "id=a", "id=&key=&status=ok"])
def test_a_receipt_about_nothing_or_without_status_is_not_readable(body: str) -> None:
    with pytest.raises(NotReadable):
        read_receipt(RECEIPT, _form(body))
