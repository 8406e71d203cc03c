"""Lists of messages, replies and consents by the interface: nothing lost, nothing double, nothing that is not so."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from reminders.desk import message_list
from tests.desk.office import Office
from tests.desk.test_query_plans import scans, statements
from tests.web.programs import NAME, at_fault

COPIES = 120
"""Of the first course; each has more than twenty messages."""


def copy_course(office: Office, first: int, last: int) -> None:
    """Copy the messages of the first course, so that thousands go out at the same few moments."""
    with office.database.writing() as session:
        connection = session.connection()
        names = [row[1] for row in connection.exec_driver_sql("PRAGMA table_info(message)")]
        for table, shift in (("enrollment", 1), ("message", 1000)):
            names = [row[1] for row in connection.exec_driver_sql(f"PRAGMA table_info({table})")]
            changed = {"id": f"id + i * {shift}", **({"enrollment_id": "1 + i"} if table == "message" else {})}
            values = ", ".join(changed.get(name, name) for name in names)
            mine = "id = 1" if table == "enrollment" else "enrollment_id = 1"
            connection.exec_driver_sql(
                f"WITH RECURSIVE k(i) AS (SELECT {first} UNION ALL SELECT i + 1 FROM k WHERE i < {last})"
                f" INSERT INTO {table} ({', '.join(names)}) SELECT {values} FROM {table}, k WHERE {mine}"
            )


def pages(client: httpx.Client, query: str) -> Iterator[list[dict[str, Any]]]:
    """The pages of a list, each led to by the header of the one before."""
    page = f"/messages?{query}"
    while page:
        answer = client.get(page)
        assert answer.status_code == 200, answer.text
        told = answer.json()
        yield told["messages"]
        page = (told["next"] or "").removeprefix("/api/v1")
        link = answer.headers.get("link")
        assert link == (f'</api/v1{page}>; rel="next"' if page else None)


def test_thousands_are_paged_without_loss_or_double_while_more_are_added(client: httpx.Client, office: Office) -> None:
    office.enroll()
    copy_course(office, 1, COPIES)
    there = {each.id for each in office.messages()}
    assert len(there) > 2000
    seen: list[int] = []
    moments: list[str] = []
    for number, page in enumerate(pages(client, "limit=97")):
        seen += [each["id"] for each in page]
        moments += [each["send_at"] for each in page]
        if number < 10:
            copy_course(office, COPIES + 1 + number, COPIES + 1 + number)
    assert len(seen) == len(set(seen))
    assert there <= set(seen)
    assert moments == sorted(moments)


def test_a_rare_state_is_found_by_pages_that_come_soon_and_may_be_empty(
    client: httpx.Client, office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(message_list, "_LOOKED_AT", 50)
    office.enroll()
    copy_course(office, 1, 20)
    late = max(office.messages(), key=lambda each: (each.send_at, each.id))
    with office.database.writing() as session:
        session.connection().exec_driver_sql(f"UPDATE message SET state = 'cancelled' WHERE id = {late.id}")
    found = list(pages(client, "state=cancelled&limit=5"))
    assert [each["id"] for page in found for each in page] == [late.id]
    assert len(found) > 5
    assert found[0] == []


@pytest.mark.parametrize("limit", [1, 3, 200])
def test_states_and_times_narrow_whatever_the_page(client: httpx.Client, office: Office, limit: int) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    everything = office.messages()
    since, until = "2026-06-11T00:00:00-05:00", "2026-06-12T05:00:00Z"
    wanted = {
        each.id
        for each in everything
        if each.state in {"sent", "withheld"} and f"{each.send_at:%Y-%m-%dT%H:%M}" >= "2026-06-11T05:00"
        if f"{each.send_at:%Y-%m-%dT%H:%M}" < "2026-06-12T05:00"
    }
    query = f"limit={limit}&state=sent&state=withheld&since={since}&until={until}"
    found = [each["id"] for page in pages(client, query) for each in page]
    assert 0 < len(wanted) < len(everything)
    assert (len(found), set(found)) == (len(wanted), wanted)


def test_a_page_of_messages_reads_no_table_from_end_to_end(client: httpx.Client, office: Office) -> None:
    office.enroll()
    second = client.get("/messages?limit=3").json()["next"].removeprefix("/api/v1")
    with statements(office) as seen:
        for page in ("/messages", second, "/messages?state=failed&since=2026-06-10T00:00:00Z", "/concerns"):
            assert client.get(page).status_code == 200
    assert len(seen) > 8
    assert scans(office, seen) == []


def test_a_reply_is_taken_in_as_from_everywhere_and_told_after_it_is_stored(
    client: httpx.Client, office: Office
) -> None:
    office.enroll()
    answer = client.post("/replies", json={"from": "(312) 555-0123", "text": "it is red and hot up to my ankle"})
    told = answer.json()
    assert answer.status_code == 201
    assert (told["label"], told["patient"], told["concern"], told["new"]) == ("urgent", 1, 1, True)
    assert told["answer"] in [each.text for each in office.messages() if each.kind == "answer"]
    assert office.concerns()[0].urgency == "urgent"


def test_the_same_ref_is_the_same_reply(client: httpx.Client, office: Office) -> None:
    office.enroll()
    body = {"from": "+13125550123", "text": "there is pus", "ref": "in-77"}
    first, again = client.post("/replies", json=body), client.post("/replies", json=body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json()["reply"] == first.json()["reply"]
    assert again.json()["new"] is False
    assert len(office.concerns()) == 1


@pytest.mark.parametrize("sender", ["+13125550123", "robin@example.org", "88811", "Robin's phone"])
def test_whoever_wrote_whatever_it_is_kept(client: httpx.Client, sender: str) -> None:
    for text in ("there is pus", "\x00\x07", "🦶" * 22_000, " "):
        assert client.post("/replies", json={"from": sender, "text": text}).status_code == 201


def test_stop_by_the_interface_stops(client: httpx.Client, office: Office) -> None:
    office.enroll()
    assert client.post("/replies", json={"from": "+13125550123", "text": "STOP"}).json()["label"] == "stop"
    assert office.contact_states() == ["stopped"]


def test_consent_is_given_and_withdrawn_under_the_programs_name(client: httpx.Client, office: Office) -> None:
    office.enroll()
    given = client.post("/patients/1/consents/give", json={"address": "312-555-0199"}).json()
    assert {(each["address"], each["state"]) for each in given["addresses"]} == {
        ("+13125550123", "active"),
        ("+13125550199", "active"),
    }
    gone = client.post("/patients/1/consents/withdraw", json={"channel": "sms", "wording": "said so"}).json()
    assert {each["state"] for each in gone["addresses"]} == {"stopped"}
    assert gone == {**client.get("/patients/1/consents").json(), "warnings": []}
    assert [(each["action"], each["by"], each["wording"]) for each in gone["history"]][-1] == (
        "withdrawn",
        NAME,
        "said so",
    )


@pytest.mark.parametrize("address", ["Robin Invented", "robin@", "12", "+13125550123 ext 9"])
def test_an_address_that_is_none_is_named_and_not_repeated(client: httpx.Client, office: Office, address: str) -> None:
    office.enroll()
    answer = client.post("/patients/1/consents/give", json={"address": address})
    assert answer.status_code == 422
    assert at_fault(answer) == ["#/address"]
    assert address not in answer.text


def test_a_channel_without_an_address_is_not_found(client: httpx.Client, office: Office) -> None:
    office.enroll()
    body = {"channel": "email", "wording": "said so"}
    assert client.post("/patients/1/consents/withdraw", json=body).status_code == 404
