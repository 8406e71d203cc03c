"""Whatever goes wrong is told as problem details (RFC 9457), with the fields at fault and nothing about any patient."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy.exc import OperationalError

from reminders.desk import message_list
from reminders.web.api import PREFIX, concerns
from reminders.web.api.call import MOST_BYTES
from reminders.web.api.problems import STATUS
from tests.desk.office import Office, open_office
from tests.web.programs import at_fault, code_of, enrollment, program
from tests.web.server import Server, serving

JSON = {"Content-Type": "application/json"}


@pytest.mark.parametrize(
    ("content", "code"),
    [
        pytest.param(b"{", "bad_request", id="cut-off"),
        pytest.param(b"\xff\xfe", "bad_request", id="no-utf-8"),
        pytest.param(b"", "invalid", id="empty"),
        pytest.param(b"[]", "invalid", id="list"),
        pytest.param(b"null", "invalid", id="null"),
        pytest.param(b'"text"', "invalid", id="string"),
        pytest.param(b"NaN", "invalid", id="not-a-number"),
        pytest.param(b"[" * 50_000, "bad_request", id="deep"),
        pytest.param(b"9" * 5_000, "bad_request", id="long-number"),
        pytest.param(b'{"from": "\\ud800", "text": "x"}', "invalid", id="half-a-character"),
    ],
)
def test_a_body_that_is_no_such_json_is_refused(client: httpx.Client, content: bytes, code: str) -> None:
    assert code_of(client.post("/replies", content=content, headers=JSON)) == code


@pytest.mark.parametrize("half", ["\\ud800", "\\udc00x"])
def test_half_a_character_is_refused_but_in_a_patients_words(client: httpx.Client, half: str) -> None:
    words = f'{{"from": "+13125550123", "text": "there is pus {half}"}}'
    assert client.post("/replies", content=words, headers=JSON).status_code == 201
    answer = client.post("/concerns/1/note", content=f'{{"note": "{half}"}}', headers=JSON)
    assert at_fault(answer) == ["#/note"]


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "application/jsonp", "", "json"])
def test_a_body_of_another_media_type_is_refused(client: httpx.Client, kind: str) -> None:
    answer = client.post("/replies", content=b'{"from": "+13125550123", "text": "x"}', headers={"Content-Type": kind})
    assert (answer.status_code, code_of(answer)) == (415, "not_json")
    assert answer.headers["accept"] == "application/json"


def test_json_with_a_character_set_is_json(client: httpx.Client) -> None:
    headers = {"Content-Type": "Application/JSON; charset=utf-8"}
    assert client.post("/replies", content=b'{"from": "+13125550123", "text": "x"}', headers=headers).status_code == 201


def test_a_body_has_an_end(client: httpx.Client) -> None:
    def endless() -> Iterator[bytes]:
        for _ in range(MOST_BYTES // 10_000 + 1):
            yield b" " * 10_000

    for content in (b" " * (MOST_BYTES + 1), b"x" * 2_000_000, endless()):
        answer = client.post("/replies", content=content, headers=JSON)
        assert (answer.status_code, code_of(answer)) == (413, "too_large")


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("PUT", "/enrollments/1", "GET, PATCH"),
        ("DELETE", "/enrollments", "POST"),
        ("HEAD", "/concerns", "GET"),
        ("OPTIONS", "/messages", "GET"),
        ("TRACE", "/replies", "POST"),
        ("POST", "/openapi.json", "GET"),
    ],
)
def test_another_method_is_told_which_there_are(client: httpx.Client, method: str, path: str, allowed: str) -> None:
    answer = client.request(method, path)
    assert answer.status_code == 405
    assert answer.headers["allow"] == allowed


@pytest.mark.parametrize("path", ["/nowhere", "/enrollments/", "/..%2f..%2fstaff/today", "/concerns//1", "/%00"])
def test_an_address_that_there_is_not_is_told_as_a_problem(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, code_of(answer)) == (404, "not_found")


@pytest.mark.parametrize("path", ["/api", "/api/v2/concerns", "/api/v1"])
def test_no_page_answers_beside_the_interface(server: Server, path: str) -> None:
    with httpx.Client(base_url=server.base) as client:
        answer = client.get(path)
    assert answer.status_code == 404
    if path != "/api":
        assert code_of(answer) == "not_found"


@pytest.mark.parametrize("path", ["/enrollments/77", "/enrollments/77/record", "/concerns/77", "/patients/77/consents"])
def test_a_thing_that_there_is_not_is_told_as_a_problem(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, code_of(answer)) == (404, "not_found")


@pytest.mark.parametrize("number", ["0", "-1", "abc", "1.5", "9223372036854775808", "9" * 400, "1%20OR%201=1"])
def test_what_is_no_number_is_named(client: httpx.Client, number: str) -> None:
    answer = client.get(f"/enrollments/{number}")
    assert answer.status_code == 422
    assert at_fault(answer) == ["enrollment"]


@pytest.mark.parametrize(
    ("query", "fault"),
    [
        ("limit=0", "limit"),
        ("limit=201", "limit"),
        ("limit=many", "limit"),
        ("state=lost", "state.0"),
        ("since=yesterday", "since"),
        ("since=2026-06-10T10:00:00", "since"),
        ("until=2026-02-30T10:00:00Z", "until"),
        ("cursor=abc", "cursor"),
        ("cursor=%FF", "cursor"),
        ("cursor=bTk5OTk5OTk5OTk5OTk5OTk5OS4x", "cursor"),
        ("cursor=bjE", "cursor"),
        ("statee=failed", "statee"),
    ],
)
def test_a_parameter_at_fault_is_named(client: httpx.Client, query: str, fault: str) -> None:
    answer = client.get(f"/messages?{query}")
    assert answer.status_code == 422
    assert at_fault(answer) == [fault]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"surprise": 1}, "#/surprise"),
        ({"a/b~c": 1}, "#/a~1b~0c"),
        ({"facts": {"surprise": 1}}, "#/facts/surprise"),
        ({"facts": {"procedure_end": "2026-06-10"}}, "#/facts/procedure_end"),
        ({"facts": {"procedure_end": "2026-06-10T10:30:00"}}, "#/facts/procedure_end"),
        ({"facts": {"procedure_end": 1781105400}}, "#/facts/procedure_end"),
        ({"facts": {"slots": {"noon": "12:00"}}}, "#/facts/slots/noon/[key]"),
        ({"facts": {"slots": {"evening": "25:00"}}}, "#/facts/slots/evening"),
        ({"facts": {"factors": "diabetes"}}, "#/facts/factors"),
        ({"facts": {"channel": "fax"}}, "#/facts/channel"),
        ({"consent": "yes"}, "#/consent"),
        ({"consent": 1}, "#/consent"),
        ({"again": None}, "#/again"),
        ({"first_name": 7}, "#/first_name"),
        ({"first_name": "R" * 81}, "#/first_name"),
        ({"first_name": "Ro\x00bin"}, "#/first_name"),
        ({"procedure": "../shared"}, "#/procedure"),
        ({"procedure": "unheard-of"}, "#/procedure"),
        ({"phone": "not a number"}, "#/phone"),
        ({"phone": ""}, "#/phone"),
        ({"email": "nobody"}, "#/email"),
        ({"consent": False}, "#/consent"),
        ({"facts": {"zone": "Mars/Olympus"}}, "#/facts/zone"),
        ({"facts": {"language": "tlh"}}, "#/facts/language"),
        ({"facts": {"factors": ["vampire"]}}, "#/facts/factors"),
        ({"facts": {"settings": {"stop_day": 99}}}, "#/facts/settings"),
        ({"facts": {"procedure_end": "2026-07-10T10:30:00-05:00"}}, "#/facts/procedure_end"),
        ({"facts": {"visit": "2026-06-01T10:30:00-05:00"}}, "#/facts/visit"),
    ],
    ids=str,
)
def test_a_member_at_fault_is_named(client: httpx.Client, office: Office, change: dict[str, Any], fault: str) -> None:
    answer = client.post("/enrollments", json=enrollment(**change))
    assert answer.status_code == 422, answer.text
    assert fault in at_fault(answer)
    assert office.messages() == []


def test_every_member_at_fault_is_named_at_once(client: httpx.Client) -> None:
    wrong = enrollment(phone="12", email="nobody", consent=False, facts={"zone": "Mars/Olympus", "factors": ["x"]})
    answer = client.post("/enrollments", json=wrong)
    wanted = {"#/phone", "#/email", "#/consent", "#/facts/zone", "#/facts/factors"}
    assert wanted <= set(at_fault(answer))


@pytest.mark.parametrize("member", ["first_name", "last_name", "phone", "email", "consent_wording", "procedure"])
@pytest.mark.parametrize("words", ["Zebedee Q 312 555 0177 <script>", "zebedee", "Zebedee\nQ", "zebedee" * 40])
def test_what_was_sent_is_never_repeated(client: httpx.Client, member: str, words: str) -> None:
    wrong = enrollment(consent=False, facts={"site": words, "language": words, "settings": {"stop_day": words}})
    answer = client.post("/enrollments", json={**wrong, member: words})
    assert answer.status_code == 422
    assert "zebedee" not in answer.text.lower()


def test_a_call_without_a_body_takes_none(client: httpx.Client) -> None:
    assert at_fault(client.post("/concerns/1/take", json={"by": "Nora Nurse"})) == ["#"]
    assert at_fault(client.request("GET", "/concerns", json={"state": "open"})) == ["#"]


@pytest.mark.parametrize("key", ["", "a b", 'a"b', "a\\b", "x" * 256, '"' * 3])
def test_an_idempotency_key_that_cannot_be_read_is_named(client: httpx.Client, key: str) -> None:
    answer = client.post("/replies", json={"from": "+13125550123", "text": "x"}, headers={"Idempotency-Key": key})
    assert (answer.status_code, at_fault(answer)) == (400, ["Idempotency-Key"])


def test_too_many_calls_are_told_when_to_go_on(tmp_path: Path, empty_database: Path) -> None:
    path = Path(shutil.copy(empty_database, tmp_path / "reminders.sqlite3"))
    office = open_office(tmp_path, path, "2026-06-10T10:30", web={"api_calls_per_minute": 3})
    with serving(office.app) as server, program(server, office) as one, program(server, office, name="Other") as other:
        assert [one.get("/concerns").status_code for _ in range(4)] == [200, 200, 200, 429]
        answer = one.get("/concerns")
        assert (code_of(answer), answer.headers["retry-after"]) == ("too_many_calls", "60")
        assert other.get("/concerns").status_code == 200
        office.clock.advance(timedelta(seconds=60))
        assert one.get("/concerns").status_code == 200
    office.database.close()


def test_a_busy_database_is_worth_another_try(
    client: httpx.Client, office: Office, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OperationalError("SELECT 'Robin Invented'", {}, Exception("database is locked"))

    monkeypatch.setattr(concerns, "concern_page", refuse)
    answer = client.get("/concerns")
    assert (answer.status_code, code_of(answer)) == (503, "busy")
    assert int(answer.headers["retry-after"]) >= 1
    assert "Robin" not in answer.text + caplog.text


def test_whatever_broke_is_told_without_its_words(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def fall_over(*_: object, **__: object) -> None:
        raise RuntimeError("Robin Invented wrote: it hurts")

    monkeypatch.setattr(message_list, "listed", fall_over)
    answer = client.get("/messages")
    assert (answer.status_code, code_of(answer)) == (500, "broken")
    assert "Robin" not in answer.text


@pytest.mark.parametrize(
    "words",
    ["'; DROP TABLE patient; --", "{{ 7 * 7 }}", "${jndi:ldap://example.org}", "<img src=x onerror=alert(1)>", "%s%n"],
)
def test_what_looks_like_a_command_is_kept_as_words(client: httpx.Client, office: Office, words: str) -> None:
    enrolled = client.post("/enrollments", json=enrollment(last_name=words)).json()
    assert client.get(f"/enrollments/{enrolled['enrollment']}").json()["patient"]["name"] == f"Robin {words}"
    client.post("/replies", json={"from": "+13125550123", "text": f"there is pus {words}"})
    (concern,) = client.get("/concerns").json()["concerns"]
    assert concern["replies"][0]["text"] == f"there is pus {words}"
    assert client.post(f"/concerns/{concern['id']}/note", json={"note": words}).status_code == 200


def test_each_answer_is_json_that_no_cache_keeps_and_no_browser_runs(client: httpx.Client) -> None:
    for path in ("/concerns", "/nowhere", "/messages?limit=0"):
        answer = client.get(path)
        json.loads(answer.text)
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_every_code_has_the_status_of_a_refusal() -> None:
    assert set(STATUS.values()) == {400, 401, 403, 404, 405, 409, 412, 413, 415, 422, 429, 500, 503}
    assert PREFIX == "/api/v1"


@pytest.mark.parametrize(
    ("path", "body", "fault"),
    [
        ("/enrollments", enrollment(email="robin@example.org", consent_wording="agreed"), "#/consent_wording"),
        ("/patients/1/consents/give", {"address": "robin@example.org", "wording": "agreed"}, "#/wording"),
    ],
)
def test_no_e_mail_without_words_that_hold_the_warning(
    client: httpx.Client, office: Office, path: str, body: dict[str, Any], fault: str
) -> None:
    office.enroll(first_name="Kim", phone="312-555-0155")
    before = office.dump()["consent_event"]
    assert at_fault(client.post(path, json=body)) == [fault]
    assert office.dump()["consent_event"] == before
