"""A change under an Idempotency-Key is made once, whatever happens to the answer.

As in draft-ietf-httpapi-idempotency-key-header-07, sections 2.6 and 2.7 (from memory): the same call again is answered
as before, another call under the key is refused (422), and so is one while the first is being answered (409).
"""

from __future__ import annotations

import os
import signal
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import httpx
import pytest

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.desk.api_answers import KEPT
from reminders.desk.shapes import taken_as_json
from reminders.web.api import PREFIX
from tests.delivery.worker import in_child
from tests.desk.office import Office
from tests.web.programs import at_fault, code_of, enrollment, key_of, program
from tests.web.server import Server, serving

WROTE = {"from": "+13125550123", "text": "it is red and hot up to my ankle"}


def under(key: str) -> dict[str, str]:
    """The header that names a call."""
    return {"Idempotency-Key": key}


def test_the_same_call_again_is_answered_as_before(client: httpx.Client, office: Office) -> None:
    first = client.post("/enrollments", json=enrollment(), headers=under("k1"))
    again = client.post("/enrollments", json=enrollment(), headers=under('"k1"'))
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["location"] == first.headers["location"]
    assert len({each.enrollment_id for each in office.messages()}) == 1


def test_a_version_comes_again_with_its_answer(client: httpx.Client, office: Office) -> None:
    office.enroll()
    office.reply(WROTE["text"])
    first, again = (client.post("/concerns/1/take", headers=under("k1")) for _ in range(2))
    assert again.status_code == 200
    assert again.headers["etag"] == first.headers["etag"]
    assert [each.action for each in office.history(1)] == ["opened", "taken"]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        pytest.param("/replies", {**WROTE, "text": "something else"}, id="body"),
        pytest.param("/enrollments", enrollment(), id="address"),
    ],
)
def test_another_call_under_the_key_is_refused(client: httpx.Client, path: str, body: dict[str, Any]) -> None:
    assert client.post("/replies", json=WROTE, headers=under("k1")).status_code == 201
    answer = client.post(path, json=body, headers=under("k1"))
    assert (answer.status_code, code_of(answer)) == (422, "idempotency_key_reused")
    assert at_fault(answer) == ["Idempotency-Key"]


def test_keys_of_other_programs_are_other_keys(client: httpx.Client, office: Office, server: Server) -> None:
    client.post("/replies", json=WROTE, headers=under("k1"))
    with program(server, office, name="Other") as other:
        assert other.post("/replies", json={**WROTE, "text": "thanks"}, headers=under("k1")).status_code == 201


def test_without_a_key_the_same_words_are_another_reply(client: httpx.Client) -> None:
    first, again = (client.post("/replies", json=WROTE).json() for _ in range(2))
    assert first["reply"] != again["reply"]


def test_what_was_refused_may_be_called_again(client: httpx.Client, office: Office) -> None:
    office.enroll()
    early = client.post("/concerns/1/take", headers=under("k1"))
    assert early.status_code == 404
    office.reply(WROTE["text"])
    assert client.post("/concerns/1/take", headers=under("k1")).status_code == 200


def test_a_rehearsal_uses_no_key_up(client: httpx.Client) -> None:
    rehearsed = client.post("/enrollments?dry_run=true", json=enrollment(), headers=under("k1"))
    assert (rehearsed.status_code, rehearsed.json()["stored"]) == (200, False)
    assert client.post("/enrollments", json=enrollment(), headers=under("k1")).status_code == 201


def test_an_answer_is_kept_for_two_days(client: httpx.Client, office: Office) -> None:
    first = client.post("/replies", json=WROTE, headers=under("k1"))
    (forgets,) = [each for each in office.app.desk_jobs() if each.name == "api-answers"]
    office.clock.advance(KEPT)
    forgets.run()
    assert client.post("/replies", json=WROTE, headers=under("k1")).content == first.content
    office.clock.advance(timedelta(seconds=1))
    forgets.run()
    assert client.post("/replies", json=WROTE, headers=under("k1")).json()["reply"] == 2


def test_the_same_call_meanwhile_is_told_to_wait(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    inside, go_on = threading.Event(), threading.Event()

    def slowly(*given: Any) -> dict[str, Any]:
        inside.set()
        assert go_on.wait(20)
        return taken_as_json(*given)

    monkeypatch.setattr("reminders.web.api.replies.taken_as_json", slowly)
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(client.post, "/replies", json=WROTE, headers=under("k1"))
        assert inside.wait(20)
        second = client.post("/replies", json=WROTE, headers=under("k1"))
        go_on.set()
        assert first.result().status_code == 201
    assert (second.status_code, code_of(second)) == (409, "in_progress")
    assert client.post("/replies", json=WROTE, headers=under("k1")).content == first.result().content


def test_many_at_once_make_one_change(client: httpx.Client, office: Office) -> None:
    def enroll(_: int) -> httpx.Response:
        return client.post("/enrollments", json=enrollment(), headers=under("k1"))

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(enroll, range(16)))
    assert {each.status_code for each in answers} <= {201, 409}
    assert len({each.content for each in answers if each.status_code == 201}) == 1
    assert {code_of(each) for each in answers if each.status_code == 409} <= {"in_progress"}
    assert len({each.enrollment_id for each in office.messages()}) == 1


def other_process(office: Office, *, failpoint: str = "") -> tuple[int, str]:
    """Serve the same practice from a process of its own, which dies at a failpoint; return its number and address."""
    told, tells = os.pipe()

    def serve() -> None:
        app = App(office.app.config, VirtualClock(office.clock.now()), lambda _: office.app.library)
        with serving(app) as running:
            os.write(tells, running.base.encode())
            threading.Event().wait()

    number = in_child(serve, failpoint=failpoint)
    os.close(tells)
    base = os.read(told, 200).decode()
    os.close(told)
    return number, base


def test_a_server_that_dies_between_commit_and_answer_has_made_the_change_once(office: Office) -> None:
    headers = {"Authorization": f"Bearer {key_of(office)}", **under("k1")}
    dying, base = other_process(office, failpoint="after-call")
    with pytest.raises(httpx.RemoteProtocolError):
        httpx.post(f"{base}{PREFIX}/enrollments", json=enrollment(), headers=headers, timeout=60)
    assert os.waitstatus_to_exitcode(os.waitpid(dying, 0)[1]) == -signal.SIGKILL
    (stored,) = {each.enrollment_id for each in office.messages()}
    living, base = other_process(office)
    answer = httpx.post(f"{base}{PREFIX}/enrollments", json=enrollment(), headers=headers, timeout=60)
    os.kill(living, signal.SIGKILL)
    os.waitpid(living, 0)
    assert (answer.status_code, answer.json()["enrollment"]) == (201, stored)
    assert {each.enrollment_id for each in office.messages()} == {stored}
