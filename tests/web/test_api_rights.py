"""No key does more than its scopes say: every operation with every scope, and keys that hold no more."""

from __future__ import annotations

from datetime import timedelta

import httpx
import pytest

from reminders.desk.api_keys import Scope, list_keys, revoke_key
from reminders.web.api import DESCRIPTION, PREFIX
from tests.desk.office import Office
from tests.web.programs import BODIES, NAME, code_of, key_of, operations, program
from tests.web.server import Server

OPERATIONS = tuple(operations())


def call(client: httpx.Client, method: str, path: str) -> httpx.Response:
    """Call an operation on the first of whatever it is about, with a body that it takes."""
    there = path.replace("{enrollment}", "1").replace("{concern}", "1").replace("{patient}", "1")
    return client.request(method, there, json=BODIES.get(f"{method} {path}"))


def test_every_scope_opens_something_and_every_operation_asks_for_one() -> None:
    assert {scope for _, _, scope in OPERATIONS} == set(Scope)
    assert len(OPERATIONS) == 20


@pytest.mark.parametrize("scope", list(Scope))
def test_a_scope_opens_its_operations_and_no_other(busy_office: Office, server: Server, scope: Scope) -> None:
    with program(server, busy_office, scope) as client:
        opened = {(method, path) for method, path, _ in OPERATIONS if call(client, method, path).status_code != 403}
    assert opened == {(method, path) for method, path, wanted in OPERATIONS if wanted is scope}


@pytest.mark.parametrize("scope", list(Scope))
def test_all_other_scopes_together_open_none_of_its_operations(
    busy_office: Office, server: Server, scope: Scope
) -> None:
    others = [each for each in Scope if each is not scope]
    with program(server, busy_office, *others) as client:
        for method, path, wanted in OPERATIONS:
            if wanted is scope:
                answer = call(client, method, path)
                assert code_of(answer) == "scope_missing"
                assert f'scope="{scope}"' in answer.headers["www-authenticate"]
                assert "Robin" not in answer.text


@pytest.mark.parametrize(
    ("shown", "code"),
    [
        pytest.param(None, "key_missing", id="none"),
        pytest.param("", "key_missing", id="empty"),
        pytest.param("Bearer", "key_missing", id="no-key"),
        pytest.param("Basic cm9iaW46cm9iaW4=", "key_missing", id="other-scheme"),
        pytest.param("Bearer nothing", "key_unknown", id="no-key-of-ours"),
        pytest.param("Bearer reminders_aaaaaaaaaa_" + "A" * 43, "key_unknown", id="guessed"),
        pytest.param("Bearer ' OR 1=1 --", "key_unknown", id="injection"),
    ],
)
def test_nobody_reaches_anything_without_a_key(
    busy_office: Office, server: Server, shown: str | None, code: str
) -> None:
    with httpx.Client(base_url=server.base + PREFIX, headers={"Authorization": shown} if shown else {}) as client:
        for method, path, _ in OPERATIONS:
            answer = call(client, method, path)
            assert (answer.status_code, code_of(answer)) == (401, code)
            assert answer.headers["www-authenticate"].startswith("Bearer")
    assert len(busy_office.messages(1)) > 20
    assert busy_office.concerns()[0].state == "open"


def test_who_shows_no_key_is_told_nothing_about_what_they_sent(server: Server) -> None:
    with httpx.Client(base_url=server.base + PREFIX) as client:
        for content in (b"{", b'{"surprise": 1}', b"x" * 200_000):
            answer = client.post("/replies", content=content, headers={"Content-Type": "application/json"})
            assert code_of(answer) == "key_missing"


def test_a_sign_in_of_staff_opens_nothing_here(office: Office, server: Server) -> None:
    with httpx.Client(base_url=server.base + PREFIX, cookies={"staff": "anything"}) as client:
        answer = client.get("/concerns")
    assert code_of(answer) == "key_missing"
    assert "set-cookie" not in answer.headers


def test_a_key_holds_until_it_expires(office: Office, server: Server) -> None:
    key = key_of(office, expires_at=office.clock.now() + timedelta(hours=1))
    with httpx.Client(base_url=server.base + PREFIX, headers={"Authorization": f"Bearer {key}"}) as client:
        assert client.get("/concerns").status_code == 200
        office.clock.advance(timedelta(hours=1))
        assert code_of(client.get("/concerns")) == "key_expired"


def test_a_key_that_is_taken_back_is_refused_at_the_very_next_call(office: Office, server: Server) -> None:
    with program(server, office) as client:
        assert client.get("/concerns").status_code == 200
        with office.database.writing() as session:
            revoke_key(session, office.desk, NAME)
        assert code_of(client.get("/concerns")) == "key_revoked"


def test_the_day_of_the_last_call_is_kept(office: Office, server: Server) -> None:
    with program(server, office) as client:
        client.get("/concerns")
    with office.database.reading() as session:
        ((key, _),) = list_keys(session, office.desk)
    assert key.last_used_on == office.clock.now().date()


def test_no_browser_of_another_site_is_let_in(office: Office, server: Server) -> None:
    """Fetch Standard, CORS protocol: without these headers a page of another origin reads no answer."""
    with program(server, office) as client:
        answer = client.get("/concerns", headers={"Origin": "https://other.example.org"})
        assert not [name for name in answer.headers if name.startswith("access-control")]
        asked = client.options(
            "/concerns", headers={"Access-Control-Request-Method": "GET", "Origin": "https://o.example"}
        )
        assert asked.status_code == 405


def test_the_description_is_open_and_holds_no_data(busy_office: Office, server: Server) -> None:
    with httpx.Client(base_url=server.base) as client:
        answer = client.get(DESCRIPTION)
    assert answer.status_code == 200
    assert "Invented" not in answer.text
    assert busy_office.desk.house.sender.practice_name not in answer.text
