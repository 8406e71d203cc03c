"""Concerns by the interface: a page after the other, and one at a time has somebody."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest

from reminders.desk.concern_list import list_concerns
from reminders.desk.roles import Role
from reminders.desk.shapes import concern_as_json
from reminders.records.tables import Practice
from tests.desk.office import Office
from tests.web.people import employ
from tests.web.programs import NAME, at_fault, code_of, program
from tests.web.server import Server

WORDS = "it is red and hot up to my ankle"


@pytest.fixture
def client(office: Office, server: Server) -> Iterator[httpx.Client]:
    """A program that may do everything, in a practice with one concern."""
    office.enroll()
    office.reply(WORDS)
    with program(server, office) as made:
        yield made


def act(client: httpx.Client, what: str, **body: Any) -> httpx.Response:
    """Do something to the first concern."""
    return client.post(f"/concerns/1/{what}", json=body or None)


def test_concerns_are_told_as_the_commands_tell_them(client: httpx.Client, office: Office) -> None:
    with office.database.reading() as session:
        printed = [concern_as_json(each) for each in list_concerns(session, office.desk)]
    told = client.get("/concerns").json()
    assert told == {"concerns": printed, "next": None}
    assert client.get("/concerns/1").json() == printed[0]
    assert printed[0]["replies"][0]["text"] == WORDS


def test_a_concern_is_worked_off_under_the_programs_name(client: httpx.Client, office: Office) -> None:
    assert act(client, "take").json()["taken_by"] == NAME
    act(client, "note", note="No answer")
    act(client, "call", outcome="left_voicemail", note="again at 14:00")
    assert act(client, "close", outcome="reached", note="Comes in").json()["state"] == "closed"
    assert act(client, "reopen", note="called again").json()["state"] == "open"
    steps = [(each.action, each.by) for each in office.history(1)[1:]]
    assert steps == [(action, NAME) for action in ("taken", "note", "called", "closed", "reopened")]


def test_a_concern_is_handed_to_somebody_who_works_here_and_given_back(client: httpx.Client, office: Office) -> None:
    employ(office, Role.NURSE)
    employ(office, Role.FRONT_DESK)
    for stranger in ("Nobody", "Fay Desk"):
        assert at_fault(act(client, "hand-over", to=stranger)) == ["#/to"]
    act(client, "take")
    assert act(client, "give-back", note="called away").json()["state"] == "open"
    assert act(client, "hand-over", to="Nora Nurse").json()["taken_by"] == "Nora Nurse"


@pytest.mark.parametrize(
    ("what", "body"),
    [
        ("take", {}),
        ("call", {"outcome": "reached"}),
        ("close", {"outcome": "reached"}),
        ("hand-over", {"to": "Nora Nurse"}),
        ("give-back", {"note": "x"}),
        ("reopen", {"note": "x"}),
    ],
)
def test_what_somebody_else_has_stays_theirs(
    client: httpx.Client, office: Office, server: Server, what: str, body: dict[str, str]
) -> None:
    employ(office, Role.NURSE)
    with program(server, office, name="Other program") as other:
        act(other, "take")
        answer = act(client, what, **body)
        assert (answer.status_code, code_of(answer)) == (409, "conflict")
        assert client.get("/concerns/1").json()["taken_by"] == "Other program"


def test_of_many_who_take_a_concern_at_once_one_has_it(client: httpx.Client, office: Office, server: Server) -> None:
    programs = [program(server, office, name=f"Program {number}") for number in range(6)]
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda each: act(each, "take"), programs))
    for each in programs:
        each.close()
    assert sorted(each.status_code for each in answers) == [200] + [409] * 5
    (winner,) = [each.json()["taken_by"] for each in answers if each.status_code == 200]
    assert [each.action for each in office.history(1)] == ["opened", "taken"]
    assert all(winner in each.json()["detail"] for each in answers if each.status_code == 409)
    assert client.get("/concerns/1").json()["taken_by"] == winner


def test_a_version_that_is_not_the_present_one_is_refused(client: httpx.Client, office: Office) -> None:
    read = client.get("/concerns/1").headers["etag"]
    office.reply("now there is pus")
    answer = client.post("/concerns/1/close", json={"outcome": "not_needed"}, headers={"If-Match": read})
    assert (answer.status_code, code_of(answer)) == (412, "changed_meanwhile")
    present = client.get("/concerns/1").headers["etag"]
    taken = client.post("/concerns/1/take", headers={"If-Match": present})
    assert taken.status_code == 200
    noted = client.post("/concerns/1/note", json={"note": "x"}, headers={"If-Match": taken.headers["etag"]})
    assert noted.status_code == 200
    assert client.post("/concerns/1/note", json={"note": "x"}, headers={"If-Match": "*"}).status_code == 200


@pytest.mark.parametrize(
    ("what", "body", "fault"),
    [
        ("close", {}, "#"),
        ("close", {"outcome": "cured"}, "#/outcome"),
        ("call", {"outcome": "reached", "note": "x" * 4001}, "#/note"),
        ("note", {"note": ""}, "#/note"),
        ("note", {"note": "\u0007"}, "#/note"),
        ("hand-over", {"to": "Nora", "by": "Ada"}, "#/by"),
    ],
)
def test_a_body_that_does_not_fit_is_refused_by_field(
    client: httpx.Client, what: str, body: dict[str, str], fault: str
) -> None:
    answer = act(client, what, **body)
    assert answer.status_code == 422
    assert fault in at_fault(answer)


def test_only_what_is_not_done_is_listed_unless_asked(client: httpx.Client) -> None:
    act(client, "close", outcome="reached")
    assert client.get("/concerns").json()["concerns"] == []
    assert len(client.get("/concerns?state=closed").json()["concerns"]) == 1
    assert len(client.get("/concerns?state=open&state=taken&state=closed").json()["concerns"]) == 1


def test_pages_of_concerns_lose_and_double_none_while_new_ones_come_and_old_ones_go(
    client: httpx.Client, office: Office
) -> None:
    for number in range(40):
        office.reply("there is pus", sender=f"+131255501{number:02}")
    there = {each["id"] for each in client.get("/concerns?limit=200").json()["concerns"]}
    seen: list[int] = []
    page = "/concerns?limit=7"
    while page:
        told = client.get(page).json()
        seen += [each["id"] for each in told["concerns"]]
        client.post(f"/concerns/{seen[-1]}/close", json={"outcome": "not_needed"})
        office.reply("there is pus", sender=f"+1773555{len(seen):04}")
        page = (told["next"] or "").removeprefix("/api/v1")
    assert len(seen) == len(set(seen))
    assert there <= set(seen)


def test_a_concern_of_another_practice_is_none_here(client: httpx.Client, office: Office) -> None:
    with office.database.writing() as session:
        session.add(Practice(id="other", name="Other", created_at=office.clock.now()))
        session.flush()
        session.connection().exec_driver_sql("UPDATE concern SET practice_id = 'other'")
    assert client.get("/concerns").json()["concerns"] == []
    bodies: dict[str, dict[str, str]] = {
        "take": {},
        "note": {"note": "x"},
        "call": {"outcome": "reached"},
        "close": {"outcome": "reached"},
        "give-back": {"note": "x"},
        "reopen": {"note": "x"},
        "hand-over": {"to": "Nora Nurse"},
    }
    answers = [client.get("/concerns/1"), *(act(client, what, **body) for what, body in bodies.items())]
    assert {each.status_code for each in answers} == {404}
    assert [each.action for each in office.history(1)] == ["opened"]
