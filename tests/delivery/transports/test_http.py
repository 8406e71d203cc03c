"""What gateways say over HTTP, how we ask, and a real one."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, unquote_to_bytes

import pytest
from pydantic import ValidationError

from reminders.config_delivery import HttpAnswerSection, HttpSection
from reminders.config_hooks import ReceiptHookSection, ReplyHookSection
from reminders.delivery.hook_reading import read_receipts, read_replies
from reminders.delivery.hooks import guard_of, verify
from reminders.delivery.incoming import Arrival
from reminders.delivery.outgoing import Accepted
from reminders.delivery.transports.http import HttpTransport
from reminders.delivery.transports.http_answer import Answer, at_path, judge, retry_after_seconds
from reminders.delivery.transports.http_request import RequestWriter
from reminders.errors import Away, BadAddress, ConfigError, InDoubt, Refused, Throttled, Unreachable
from reminders.wording.sms import measure
from tests.delivery.peers.http import HttpPeer
from tests.delivery.peers.kannel import RECEIPTS, REPLIES, KannelGateway
from tests.delivery.peers.peer import outgoing

NOW = datetime(2026, 6, 10, 19, tzinfo=UTC)
HARD = 'Say "yes" \\ no\n{{ 7 * 7 }} {% x %} & = + % # ñ 😀 </a>'


@pytest.fixture(scope="module")
def kannel() -> Iterator[KannelGateway]:
    """A real gateway."""
    gateway = KannelGateway()
    yield gateway
    gateway.stop()


def _section(**values: Any) -> HttpSection:
    return HttpSection.model_validate({"url": "https://gateway.example.org/send", **values})


def _written(**values: Any) -> dict[str, Any]:
    return RequestWriter(_section(**values), folder=Path()).write(outgoing(text=HARD))


def test_values_are_escaped_in_json() -> None:
    written = _written(json_body='{"to": {{ to }}, "n": {{ segments }}, "t": [{{ text }}], "k": "x-{{ id }}"}')
    assert json.loads(written["content"]) == {"to": "+12025550143", "n": 1, "t": [HARD], "k": "x-1"}


def test_values_are_escaped_in_an_address() -> None:
    written = _written(url="https://gateway.example.org/{{ to }}/{{ text }}")
    assert written["url"].startswith("https://gateway.example.org/%2B12025550143/Say%20%22yes%22")
    assert "?" not in written["url"]
    assert "#" not in written["url"]


def test_a_form_and_a_query_arrive_as_they_were_written() -> None:
    fields = {"to": "{{ to_digits }}", "text": "{{ text }}", "key": "{{ key }}", "fixed": "a&b"}
    expected = {"to": ["12025550143"], "text": [HARD], "key": ["invented-1"], "fixed": ["a&b"]}
    peer = HttpPeer(json_body="", form=fields, query=fields)
    peer.answer = (202, b'{"messages": [{"id": "m1", "state": "queued"}]}')
    (result,) = peer.transport.hand_over(iter([outgoing(text=HARD)]))
    peer.close()
    ((_, path, headers, body),) = peer.requests
    assert isinstance(result, Accepted)
    assert headers["content-type"] == "application/x-www-form-urlencoded"
    assert parse_qs(body.decode(), strict_parsing=True) == expected
    assert parse_qs(path.partition("?")[2], strict_parsing=True) == expected


@pytest.mark.parametrize(
    "values",
    [
        pytest.param({"json_body": '{"to": "{{ to }}"}'}, id="quotation marks twice"),
        pytest.param({"json_body": '{"to": {{ too }}}'}, id="a value that does not exist"),
        pytest.param({"json_body": '{"to": {{ to }'}, id="a template that has no end"),
        pytest.param({"form": {"x": "{{ ''.__class__.__mro__ }}"}}, id="a way out of the sandbox"),
        pytest.param({"headers": {"X-Text": "{{ text }}"}}, id="a text in a header"),
        pytest.param({"form": {"x": "{{ secret.missing }}"}}, id="a secret that does not exist"),
        pytest.param({"secrets": {"x": {"env": "NOT_SET_ANYWHERE"}}}, id="a secret that is not set"),
    ],
)
def test_a_template_that_would_fail_is_found_at_the_start(values: dict[str, Any]) -> None:
    with pytest.raises(ConfigError):
        RequestWriter(_section(**values), folder=Path())


@pytest.mark.parametrize(
    "values",
    [
        pytest.param({"url": "http://gateway.example.org/"}, id="no encryption over a network"),
        pytest.param({"url": "http://127.0.0.1.example.org/"}, id="a name that begins like this machine"),
        pytest.param({"url": "http://127.0.0.1@example.org/"}, id="a user that looks like this machine"),
        pytest.param({"url": "ftp://gateway.example.org/"}, id="another protocol"),
        pytest.param({"json_body": "{}", "form": {"a": "b"}}, id="two bodies"),
        pytest.param({"method": "GET", "json_body": "{}"}, id="a GET with a body"),
        pytest.param({"reply_hook": REPLIES}, id="a hook that anybody may call"),
        pytest.param({"answer": {"status": "state"}}, id="a status without meaning"),
        pytest.param({"answer": {"id": "id", "id_header": "X-Id"}}, id="two places of the id"),
        pytest.param({"status_query": {"url": "https://gateway.example.org/"}}, id="a question without an answer"),
        pytest.param({"drops_doubles": True, "form": {"to": "{{ to }}"}}, id="doubles that nobody could know"),
        pytest.param({"answer": {"refused_codes": ["4x"]}}, id="no code"),
    ],
)
def test_a_configuration_that_is_not_safe_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        _section(**values)


BY_STATUS = HttpAnswerSection(
    id="m.0.id",
    status="m.0.s",
    accepted=("ok",),
    refused=("no",),
    bad_address=("dead",),
    later=("busy",),
    throttled=("fast",),
)
BY_CODE = HttpAnswerSection(id="id")
BY_TRUTH = HttpAnswerSection(status="done", accepted=("true",), refused=("false",))
BY_HEADER = HttpAnswerSection(id_header="X-Message-Id")
BY_LOCATION = HttpAnswerSection(id_header="Location")
BY_TEXT = HttpAnswerSection(
    form="text", pattern=r"^(?P<status>\w+)(?:: (?P<id>.+))?$", accepted=("OK",), refused=("ERR",)
)


@pytest.mark.parametrize(
    ("section", "code", "body", "kind"),
    [
        (BY_STATUS, 200, b'{"m": [{"s": "no"}]}', Refused),
        (BY_STATUS, 400, b'{"m": [{"s": "dead"}]}', BadAddress),
        (BY_STATUS, 200, b'{"m": [{"s": "busy"}]}', Unreachable),
        (BY_STATUS, 200, b'{"m": [{"s": "fast"}]}', Throttled),
        (BY_STATUS, 200, b'{"m": [{"s": "new word"}]}', InDoubt),
        (BY_STATUS, 200, b"<html>", InDoubt),
        (BY_STATUS, 400, b"<html>", Refused),
        (BY_STATUS, 400, b"[" * 100_000, Refused),
        (BY_TRUTH, 200, b'{"done": true}', Accepted),
        (BY_TRUTH, 200, b'{"done": false}', Refused),
        (BY_CODE, 200, b"[]", Accepted),
        (BY_CODE, 302, b"", Away),
        (BY_CODE, 401, b"", Away),
        (BY_CODE, 404, b"", Refused),
        (BY_CODE, 429, b"", Throttled),
        (BY_CODE, 503, b"", Away),
        (BY_CODE, 500, b"", InDoubt),
        (BY_CODE, 502, b"", InDoubt),
        (BY_CODE, 504, b"", InDoubt),
        (BY_CODE, 418, b"", InDoubt),
        (BY_TEXT, 200, b"ERR: 7", Refused),
        (BY_TEXT, 200, b"?", InDoubt),
    ],
)
def test_an_answer_means_what_the_configuration_says(
    section: HttpAnswerSection, code: int, body: bytes, kind: type[object]
) -> None:
    assert type(judge(Answer(code=code, body=body), section, key="k")) is kind


@pytest.mark.parametrize(
    ("section", "body", "ref"),
    [
        (BY_STATUS, b'{"m": [{"s": "ok", "id": 17}]}', "17"),
        (BY_STATUS, b'{"m": [{"s": "ok", "id": "a b"}]}', "ab"),
        (BY_STATUS, b'{"m": [{"s": "ok", "id": null}]}', "k"),
        (BY_HEADER, b"", "h-7"),
        (BY_LOCATION, b"", "7"),
        (BY_TEXT, b"OK: m-1", "m-1"),
        (BY_TEXT, b"OK", "k"),
    ],
)
def test_the_reference_is_one_word_and_our_own_key_where_there_is_none(
    section: HttpAnswerSection, body: bytes, ref: str
) -> None:
    headers = {"x-message-id": "h-7", "location": "https://gateway.example.org/messages/7/"}
    assert judge(Answer(code=200, body=body, headers=headers), section, key="k") == Accepted(ref=ref)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        # RFC 9110 section 10.2.3
        ("120", 120.0),
        ("Wed, 10 Jun 2026 19:02:00 GMT", 120.0),
        ("Wed, 10 Jun 2026 18:00:00 GMT", 0.0),
        ("", None),
        ("soon", None),
        ("-5", None),
    ],
)
def test_the_pause_asked_for_is_read(written: str, seconds: float | None) -> None:
    assert retry_after_seconds(Answer(code=429, body=b"", headers={"retry-after": written}), NOW) == seconds


def test_a_long_pause_is_kept_without_holding_messages() -> None:
    peer = HttpPeer(parallel=1)
    peer.answer = (503, b"{}")
    peer.transport._slowdown.complained(30)
    assert list(_without_waiting(peer, 3)) == []
    peer.close()
    assert peer.requests == []


def _without_waiting(peer: HttpPeer, count: int) -> Iterator[object]:
    peer.transport._slowdown.wait = lambda: False  # type: ignore[method-assign]
    return peer.transport.hand_over(outgoing(n) for n in range(count))


@pytest.mark.parametrize(
    ("path", "found"), [("a.0.b", 1), ("a.1.b", None), ("a.b", None), ("a", [{"b": 1}]), ("x", None), ("a.-1", None)]
)
def test_a_path_leads_into_json_or_nowhere(path: str, found: object) -> None:
    assert at_path({"a": [{"b": 1}]}, path) == found


def test_an_idempotency_key_and_a_secret_go_into_headers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GATEWAY_TOKEN", "s3cret")
    peer = HttpPeer(auth={"kind": "bearer", "secret": {"env": "GATEWAY_TOKEN"}})
    list(peer.transport.hand_over(iter([outgoing(5)])))
    peer.close()
    headers = peer.requests[0][2]
    assert headers["idempotency-key"] == "invented-5"
    assert headers["authorization"] == "Bearer s3cret"
    assert "s3cret" not in repr(peer.transport._section)


def test_an_answer_that_does_not_come_in_time_leaves_the_message_in_doubt() -> None:
    peer = HttpPeer(answer_seconds=0.2)
    with peer.lock:  # the peer waits for it before it answers
        (result,) = peer.transport.hand_over(iter([outgoing()]))
    peer.close()
    assert isinstance(result, InDoubt)


def test_nothing_about_a_patient_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    peer = HttpPeer(query={"to": "{{ to }}"})
    list(peer.transport.hand_over(iter([outgoing()])))
    peer.close()
    assert "2025550143" not in caplog.text


def test_a_gateway_that_cannot_be_asked_is_not_taken_for_one_that_knows_nothing() -> None:
    peer = HttpPeer()
    peer.answer = (500, b"{}")
    with pytest.raises(Unreachable):
        peer.transport.look_up(["invented-1"])
    peer.answer = (200, b'{"state": "a new word"}')
    known = peer.transport.look_up(["invented-1"])
    peer.close()
    assert (known.went_out, known.absent) == ({}, frozenset())


def test_a_gateway_is_asked_with_headers_and_may_answer_in_plain_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GATEWAY_KEY", "s3cret")
    peer = HttpPeer()
    asked = {
        "url": str(peer.transport._section.url) + "?ref={{ key }}",
        "headers": {"X-Key": "{{ secret.key }}"},
        "form": "text",
        "pattern": r"(?s)<state>(?P<status>\w+)</state>.*<id>(?P<id>.+?)</id>",
        "went_out": ["SENT"],
        "absent": ["NONE"],
    }
    section = peer.transport._section.model_dump() | {"status_query": asked, "secrets": {"key": {"env": "GATEWAY_KEY"}}}
    transport = HttpTransport(HttpSection.model_validate(section), folder=Path(), now=lambda: NOW)
    known = []
    for state in ("SENT", "NONE", "LOST"):
        peer.answer = (200, f"<state>{state}</state>\n<id>m 7</id>".encode())
        known.append(transport.look_up(["invented-1"]))
    transport.close()
    peer.close()
    assert [dict(each.went_out) for each in known] == [{"invented-1": "m7"}, {}, {}]
    assert [set(each.absent) for each in known] == [set(), {"invented-1"}, set()]
    assert peer.requests[-1][2]["x-key"] == "s3cret"


def test_a_key_among_the_fields_counts_as_one_in_a_header() -> None:
    values = {"form": {"to": "{{ to }}", "ref": "{{ key }}"}, "drops_doubles": True}
    section = _section(**values)
    transport = HttpTransport(section, folder=Path(), now=lambda: NOW)
    transport.close()
    assert transport.capabilities.idempotency_key


# ---- a real gateway ----


def test_a_real_gateway_sends_calls_back_and_brings_replies(kannel: KannelGateway) -> None:
    transport = kannel.transport()
    texts = ["Soak the toe & pat it dry.", "¿Cómo está su dedo? Responda SI o NO. 😀"]
    messages = [
        outgoing(1, text=texts[0]),
        outgoing(2, text=texts[1], encoding="ucs2"),
    ]
    results = list(transport.hand_over(iter(messages)))
    arrived = sorted(kannel.arrived(2), key=lambda line: "ucs-2" in line)
    receipts = [
        receipt
        for call in kannel.wait_for("/receipts", 2)
        for receipt in read_receipts(ReceiptHookSection.model_validate(RECEIPTS), call).found
    ]
    reply_call = kannel.wait_for("/replies", 1)[0]
    transport.close()
    assert results == [Accepted(ref="invented-1"), Accepted(ref="invented-2")]
    assert arrived[0].endswith(f"text {texts[0]}")
    assert unquote_to_bytes(arrived[1].rpartition(" ")[2].replace("+", " ")).decode("utf-16-be") == texts[1]
    assert {each.key for each in receipts} == {"invented-1", "invented-2"}
    assert {each.arrival for each in receipts} == {Arrival.DELIVERED}
    guard = guard_of(_auth(transport), folder=Path())
    verify(guard, reply_call, now=datetime.now(UTC) + timedelta(days=1))
    (reply,) = read_replies(ReplyHookSection.model_validate(REPLIES), reply_call, region="US").found
    assert (reply.sender, reply.text) == ("+12025550143", "Yes, it hurts & bleeds")
    assert reply.gateway_ref


def _auth(transport: Any) -> Any:
    return transport._section.hook_auth


@pytest.mark.parametrize("text", ["a" * 160, "a" * 161, "a" * 159 + "€", "b" * 307, "é" * 153 + "ñ" * 153])
def test_a_real_gateway_cuts_a_text_into_as_many_segments_as_we_count(kannel: KannelGateway, text: str) -> None:
    before = len(kannel.arrived(0))
    transport = kannel.transport()
    list(transport.hand_over(iter([outgoing(9, text=text)])))
    transport.close()
    counted = measure(text).segments
    arrived = kannel.arrived(before + counted)
    assert len(arrived) == before + counted
    assert [each.count("udh ") for each in arrived[before:]] == [1 if counted > 1 else 0] * counted


def test_a_real_gateway_refuses_what_makes_no_sense(kannel: KannelGateway) -> None:
    transport = kannel.transport()
    results = list(transport.hand_over(iter([outgoing(3, address="", text="x")])))
    transport.close()
    assert [type(each) for each in results] == [Refused]


def test_a_real_gateway_with_another_password_takes_nothing(
    kannel: KannelGateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WRONG", "wrong")
    transport = kannel.transport(secrets={"password": {"env": "WRONG"}})
    (result,) = transport.hand_over(iter([outgoing(4)]))
    transport.close()
    assert type(result) is Away
