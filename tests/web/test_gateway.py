"""What an SMS gateway calls: believed or not, read or not, stored once, and answered only when it is stored."""

from __future__ import annotations

import hashlib
import hmac
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from functools import partial
from pathlib import Path
from shutil import copy
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event
from sqlalchemy.engine.interfaces import DBAPIConnection

from reminders.errors import ConfigError
from reminders.web.app import web_app
from reminders.web.gateway.calls import MOST_BYTES
from tests.desk.office import PHONE, Office, open_office
from tests.web.server import Server, serving

SECRET, PASSWORD = "REMINDERS_TEST_HOOK_SECRET", "REMINDERS_TEST_HOOK_PASSWORD"
SIGNED = {"hmac_header": "X-Signature", "timestamp_header": "X-Timestamp", "hmac_secrets": [{"env": SECRET}]}
BY_PASSWORD = {"user": "gateway", "password": {"env": PASSWORD}}
RIGHT = ("gateway", "open sesame")
HOT = "it is red and hot up to my ankle"
REPLY = {"from": PHONE, "body": HOT, "id": "m1"}
FORM = "application/x-www-form-urlencoded"
post, get, request = (partial(each, timeout=60) for each in (httpx.post, httpx.get, httpx.request))

Opened = Callable[..., Office]


@pytest.fixture
def opened(tmp_path: Path, empty_database: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Opened]:
    """Opens the practice with a gateway whose calls must show what is said; a patient is enrolled there."""
    monkeypatch.setenv(SECRET, "invented secret")
    monkeypatch.setenv(PASSWORD, RIGHT[1])
    offices = []

    def open_with(
        auth: Mapping[str, Any] = BY_PASSWORD, *, web: Mapping[str, Any] | None = None, **http: Any
    ) -> Office:
        section = {
            "url": "https://gateway.example.org/messages",
            "hook_auth": auth,
            "reply_hook": {"sender": "from", "text": "body", "id": "id"},
            "receipt_hook": {"key": "key", "status": "status", "delivered": ["ok"], "failed": ["bad"]},
            **http,
        }
        database = Path(copy(empty_database, tmp_path / "reminders.sqlite3"))
        office = open_office(tmp_path, database, "2026-06-10T10:30", delivery={"http": section}, web=web or {})
        offices.append(office)
        office.enroll()
        return office

    yield open_with
    for office in offices:
        office.database.close()


@pytest.fixture
def office(opened: Opened) -> Office:
    """A practice whose gateway shows a password."""
    return opened()


@pytest.fixture
def gateway(office: Office) -> Iterator[Server]:
    """The pages of that practice."""
    with serving(office.app) as running:
        yield running


def replies(office: Office) -> int:
    """How many replies are stored."""
    return len(office.dump()["reply"])


def signed(office: Office, body: bytes, *, age: int = 0, secret: bytes = b"invented secret") -> dict[str, str]:
    """The headers of a call that was signed so many seconds ago, in JSON."""
    stamp = str(int(office.clock.now().timestamp()) - age)
    signature = hmac.new(secret, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return {"X-Signature": signature, "X-Timestamp": stamp, "Content-Type": "application/json"}


@pytest.mark.parametrize(
    "call",
    [
        pytest.param({"method": "POST", "json": REPLY}, id="JSON"),
        pytest.param({"method": "POST", "data": REPLY}, id="form"),
        pytest.param({"method": "POST", "params": REPLY}, id="query of a POST"),
        pytest.param({"method": "GET", "params": REPLY}, id="query"),
    ],
)
def test_a_reply_is_stored_and_becomes_a_concern(gateway: Server, office: Office, call: dict[str, Any]) -> None:
    answer = request(url=f"{gateway.base}/gateway/replies", auth=RIGHT, **call)
    assert (answer.status_code, answer.content) == (200, b"")
    (concern,) = office.concerns()
    assert concern.urgency == "urgent"


def test_a_receipt_is_applied_to_its_message(gateway: Server, office: Office) -> None:
    office.dispatcher.run_once()
    (sent, *_) = [each for each in office.messages() if each.state == "sent"]
    key = f"{office.database.installation_name()}-{sent.id}"
    answer = get(f"{gateway.base}/gateway/receipts", params={"key": key, "status": "ok"}, auth=RIGHT)
    assert answer.status_code == 200
    assert {each.id: each.state for each in office.messages()}[sent.id] == "delivered"


def test_a_receipt_that_outran_the_hand_over_is_kept(gateway: Server, office: Office) -> None:
    call = {"key": f"{office.database.installation_name()}-1", "status": "ok"}
    assert get(f"{gateway.base}/gateway/receipts", params=call, auth=RIGHT).status_code == 200
    assert len(office.dump()["early_receipt"]) == 1


def test_a_reply_that_is_brought_again_counts_once(gateway: Server, office: Office) -> None:
    for _ in range(3):
        assert post(f"{gateway.base}/gateway/replies", json=REPLY, auth=RIGHT).status_code == 200
    assert replies(office) == 1


@pytest.mark.parametrize("auth", [None, ("gateway", "open"), ("other", RIGHT[1])], ids=["none", "password", "user"])
@pytest.mark.parametrize("path", ["replies", "receipts"])
def test_who_is_not_believed_is_told_so_and_nothing_else(
    gateway: Server, office: Office, path: str, auth: tuple[str, str] | None
) -> None:
    answer = post(f"{gateway.base}/gateway/{path}", json=REPLY, auth=auth)
    assert (answer.status_code, answer.content) == (403, b"")
    assert replies(office) == 0


def test_a_signed_call_is_believed_within_its_window(opened: Opened) -> None:
    office = opened(SIGNED)
    body = json.dumps(REPLY).encode()
    with serving(office.app) as server:
        for age, code in ((299, 200), (301, 403), (-301, 403)):
            answer = post(f"{server.base}/gateway/replies", content=body, headers=signed(office, body, age=age))
            assert answer.status_code == code, age
    assert replies(office) == 1


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda body, headers: (body + b" ", headers), id="another body"),
        pytest.param(lambda body, headers: (body, {**headers, "X-Timestamp": "1"}), id="another time"),
        pytest.param(lambda body, headers: (body, {**headers, "X-Signature": "0" * 64}), id="another signature"),
        pytest.param(lambda body, headers: (body, {"Content-Type": "application/json"}), id="no signature"),
    ],
)
def test_a_call_that_was_tampered_with_is_not_believed(opened: Opened, change: Callable[..., Any]) -> None:
    office = opened(SIGNED)
    body = json.dumps(REPLY).encode()
    content, headers = change(body, signed(office, body))
    with serving(office.app) as server:
        assert post(f"{server.base}/gateway/replies", content=content, headers=headers).status_code == 403
    assert replies(office) == 0


def test_words_beside_a_signed_body_are_not_believed(opened: Opened) -> None:
    office = opened(SIGNED)
    body = json.dumps(REPLY).encode()
    with serving(office.app) as server:
        url = f"{server.base}/gateway/replies?body=STOP"
        assert post(url, content=body, headers=signed(office, body)).status_code == 403
    assert replies(office) == 0


def test_a_call_that_somebody_recorded_counts_no_second_time(opened: Opened) -> None:
    """A gateway that names no message: the same signature is the same call, another time stamp is another reply."""
    office = opened(SIGNED, reply_hook={"sender": "from", "text": "body"})
    body = json.dumps(REPLY).encode()
    with serving(office.app) as server:
        for age in (60, 60, 30):
            headers = signed(office, body, age=age)
            assert post(f"{server.base}/gateway/replies", content=body, headers=headers).status_code == 200
    assert replies(office) == 2


@pytest.mark.parametrize(
    ("addresses", "proxies", "forwarded", "code"),
    [
        pytest.param(["127.0.0.0/8"], ["192.0.2.1"], None, 200, id="the socket's"),
        pytest.param(["192.0.2.0/24"], ["192.0.2.1"], None, 403, id="another than the socket's"),
        pytest.param(["192.0.2.0/24"], ["192.0.2.1"], "192.0.2.7", 403, id="claimed, by whom nobody trusts"),
        pytest.param(["192.0.2.0/24"], ["127.0.0.0/8"], "192.0.2.7", 200, id="told by a proxy of a trusted network"),
        pytest.param(["192.0.2.0/24"], ["127.0.0.1"], "192.0.2.7:4711", 200, id="told with its port"),
        pytest.param(["2001:db8::/32"], ["127.0.0.1"], "[2001:db8::7]:4711", 200, id="told, IPv6"),
        pytest.param(["192.0.2.0/24"], ["127.0.0.1"], "192.0.2.7, 198.51.100.9", 403, id="claimed to a proxy"),
        pytest.param(["192.0.2.0/24"], ["127.0.0.1", "10.0.0.0/8"], "192.0.2.7, 10.1.1.1", 200, id="two proxies"),
        pytest.param(["127.0.0.0/8"], ["127.0.0.1"], "198.51.100.9", 403, id="through a proxy on this machine"),
    ],
)
def test_the_callers_address_is_the_sockets_or_what_a_trusted_proxy_says(
    opened: Opened, addresses: list[str], proxies: list[str], forwarded: str | None, code: int
) -> None:
    office = opened({"addresses": addresses}, web={"trusted_proxies": proxies})
    headers = {"X-Forwarded-For": forwarded} if forwarded else {}
    with serving(office.app) as server:
        assert post(f"{server.base}/gateway/replies", json=REPLY, headers=headers).status_code == code


def test_the_gateway_calls_by_the_public_name(opened: Opened) -> None:
    office = opened(web={"address": "https://aftercare.example.org"})
    with serving(office.app) as server:
        url = f"{server.base}/gateway/replies"
        named = {"Host": "aftercare.example.org"}
        assert post(url, json=REPLY, auth=RIGHT, headers=named).status_code == 200
        assert post(url, json=REPLY, auth=RIGHT, headers={"Host": "example.org"}).status_code == 400


@pytest.mark.parametrize("streamed", [False, True], ids=["announced", "streamed"])
def test_a_body_that_is_no_call_is_too_long(gateway: Server, streamed: bool) -> None:
    body = b"x" * (MOST_BYTES + 1)
    content = iter([body[:1000], body[1000:]]) if streamed else body
    answer = post(f"{gateway.base}/gateway/replies", content=content, auth=RIGHT)
    assert answer.status_code == 413


@pytest.mark.parametrize(
    ("content", "media_type"),
    [
        pytest.param(b"{", "application/json", id="no JSON"),
        pytest.param(b"[" * 50_000, "application/json", id="brackets without an end"),
        pytest.param(b'{"from": "+13125550123"}', "application/json", id="no text"),
        pytest.param(b'{"from": "  ", "body": "x"}', "application/json", id="a blank sender"),
        pytest.param(b"from=%2B13125550123", FORM, id="a form without a text"),
        pytest.param(b"x", "image/png", id="a picture"),
    ],
)
def test_a_reply_that_cant_be_read_is_refused_and_staff_hear_of_it_once(
    gateway: Server, office: Office, content: bytes, media_type: str
) -> None:
    for _ in range(2):
        answer = post(
            f"{gateway.base}/gateway/replies", content=content, auth=RIGHT, headers={"Content-Type": media_type}
        )
        assert (answer.status_code, answer.content) == (400, b"")
    (concern,) = office.concerns()
    assert (concern.kind, concern.urgency) == ("delivery", "urgent")
    assert "[delivery.http.reply_hook]" in concern.summary


def test_several_replies_of_one_call_are_all_stored_once_and_a_faulty_one_is_told(opened: Opened) -> None:
    office = opened(SIGNED, reply_hook={"each": ".", "sender": "from", "text": "body"})
    body = json.dumps([REPLY, {"from": PHONE}, {"from": "+13125550124", "body": HOT}]).encode()
    headers = signed(office, body)
    with serving(office.app) as server:
        for _ in range(2):
            assert post(f"{server.base}/gateway/replies", content=body, headers=headers).status_code == 200
    assert replies(office) == 2
    assert sum("[delivery.http.reply_hook]" in each.summary for each in office.concerns()) == 1


@pytest.mark.parametrize("path", ["replies", "receipts"])
def test_a_gateway_that_knows_one_address_brings_everything_there(opened: Opened, path: str) -> None:
    office = opened(
        reply_hook={"each": "events", "only": {"kind": "in"}, "sender": "from", "text": "body", "id": "id"},
        receipt_hook={
            "each": "events",
            "only": {"kind": "out"},
            "key": "key",
            "status": "s",
            "delivered": ["ok"],
            "failed": ["bad"],
        },
    )
    office.dispatcher.run_once()
    key = f"{office.database.installation_name()}-1"
    events = [{"kind": "in", **REPLY}, {"kind": "opened"}, {"kind": "out", "key": key, "s": "ok"}]
    bodies: list[dict[str, Any]] = [{"events": events}, {"events": []}, {"ping": 1}]
    with serving(office.app) as server:
        for body in bodies:
            assert post(f"{server.base}/gateway/{path}", json=body, auth=RIGHT).status_code == 200
    assert replies(office) == 1
    assert office.messages()[0].state == "delivered"
    assert [each.kind for each in office.concerns()] == ["reply"]


def test_what_nobody_believes_tells_staff_nothing(gateway: Server, office: Office) -> None:
    assert post(f"{gateway.base}/gateway/replies", content=b"x").status_code == 403
    assert office.concerns() == []


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    content=st.binary(max_size=300) | st.dictionaries(st.text(), st.text()).map(lambda one: json.dumps(one).encode()),
    media_type=st.sampled_from(["application/json", FORM, "text/plain", ""]),
    query=st.dictionaries(st.sampled_from(["from", "body", "id", "key", "status"]), st.text(), max_size=3),
    path=st.sampled_from(["replies", "receipts"]),
)
def test_garbage_is_stored_or_refused_and_breaks_nothing(
    gateway: Server, content: bytes, media_type: str, query: dict[str, str], path: str
) -> None:
    params = {name: value.encode("utf-8", "replace").decode() for name, value in query.items()}
    answer = post(
        f"{gateway.base}/gateway/{path}",
        content=content,
        params=params,
        auth=RIGHT,
        headers={"Content-Type": media_type},
    )
    assert answer.status_code in {200, 400}
    assert answer.content == b""


@pytest.mark.parametrize("text", ["\\ud83d", "a\\u0000b"], ids=["half an emoji", "a null"])
def test_characters_that_no_database_takes_are_no_reason_to_lose_a_reply(
    gateway: Server, office: Office, text: str
) -> None:
    body = f'{{"from": "{PHONE}", "body": "it bleeds {text}", "id": "{text}"}}'
    url, headers = f"{gateway.base}/gateway/replies", {"Content-Type": "application/json"}
    assert post(url, content=body, auth=RIGHT, headers=headers).status_code == 200
    assert replies(office) == 1
    receipt = f'{{"key": "{text}", "status": "ok"}}'
    answer = post(f"{gateway.base}/gateway/receipts", content=receipt, auth=RIGHT, headers=headers)
    assert answer.status_code == 200


def test_while_the_database_is_locked_the_gateway_is_asked_to_come_again(gateway: Server, office: Office) -> None:
    url = f"{gateway.base}/gateway/replies"

    def lose_patience(connection: DBAPIConnection, _entry: object) -> None:
        connection.cursor().execute("PRAGMA busy_timeout = 50")

    event.listen(office.database.engine, "connect", lose_patience)
    office.database.engine.dispose()
    with closing(sqlite3.connect(office.app.config.folder / "reminders.sqlite3", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        answer = post(url, json=REPLY, auth=RIGHT)
        other.execute("ROLLBACK")
    assert (answer.status_code, answer.content) == (503, b"")
    assert answer.headers["retry-after"] == "10"
    assert post(url, json=REPLY, auth=RIGHT).status_code == 200
    assert replies(office) == 1


def test_nothing_that_is_believed_is_dropped_for_coming_often(gateway: Server, office: Office) -> None:
    with closing(httpx.Client(auth=RIGHT, timeout=60)) as caller:
        codes = {
            caller.post(f"{gateway.base}/gateway/replies", json={**REPLY, "id": f"m{number}"}).status_code
            for number in range(60)
        }
    assert codes == {200}
    assert replies(office) == 60


def test_a_gateway_gets_the_words_it_asks_for(opened: Opened) -> None:
    office = opened(hook_answer={"body": "<Ok/>", "media_type": "application/xml"})
    with serving(office.app) as server:
        answer = post(f"{server.base}/gateway/replies", json=REPLY, auth=RIGHT)
    assert (answer.status_code, answer.text) == (200, "<Ok/>")
    assert answer.headers["content-type"].startswith("application/xml")


def test_a_practice_without_hooks_takes_no_calls(opened: Opened) -> None:
    with serving(opened(None, reply_hook=None, receipt_hook=None).app) as server:
        assert post(f"{server.base}/gateway/replies", json=REPLY).status_code == 404


def test_a_hook_that_is_not_configured_is_not_there(opened: Opened) -> None:
    with serving(opened(receipt_hook=None).app) as server:
        assert post(f"{server.base}/gateway/receipts", json={}, auth=RIGHT).status_code == 404


@pytest.mark.parametrize("method", ["HEAD", "PUT", "DELETE"])
def test_a_method_that_brings_nothing_stores_nothing(gateway: Server, office: Office, method: str) -> None:
    answer = request(method, f"{gateway.base}/gateway/replies", params=REPLY, auth=RIGHT)
    assert answer.status_code == 405
    assert replies(office) == 0


def test_a_secret_that_is_missing_is_found_at_the_start(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    office = opened()
    monkeypatch.delenv(PASSWORD)
    with pytest.raises(ConfigError, match=PASSWORD):
        web_app(office.app)
