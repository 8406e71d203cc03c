"""Courses by the interface: enrolled as at the desk, told as the commands tell them, changed after a look."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from reminders.desk.chart_record import chart_record
from reminders.desk.shapes import record_as_json
from reminders.records.tables import Practice
from tests.desk.office import Office
from tests.web.programs import NAME, at_fault, code_of, enrollment


def enrolled(client: httpx.Client, **changes: Any) -> dict[str, Any]:
    """What came of enrolling Robin Invented."""
    answer = client.post("/enrollments", json=enrollment(**changes))
    assert answer.status_code == 201, answer.text
    told: dict[str, Any] = answer.json()
    return told


def test_a_patient_is_enrolled_under_the_programs_name(client: httpx.Client, office: Office) -> None:
    told = enrolled(client)
    assert told["stored"] is True
    assert len(told["messages"]) > 10
    course = client.get(f"/enrollments/{told['enrollment']}").json()
    assert course["patient"] == {"id": told["patient"], "name": "Robin Invented"}
    assert course["enrolled_by"] == NAME
    assert office.consents(told["patient"]) == [("given", "+13125550123", NAME)]


def test_the_answer_says_where_the_course_is(client: httpx.Client) -> None:
    answer = client.post("/enrollments", json=enrollment())
    there = answer.headers["location"]
    assert client.get(there.removeprefix("/api/v1")).json()["enrollment"] == answer.json()["enrollment"]


def test_times_are_instants_whatever_offset_they_come_with(client: httpx.Client, office: Office) -> None:
    told = enrolled(client, facts={"procedure_end": "2026-06-10T17:30:00.000+02:00", "zone": "America/Los_Angeles"})
    course = office.course(told["enrollment"])
    assert (course.procedure_end, course.zone.key) == (office.clock.now(), "America/Los_Angeles")
    assert {each["send_at"][-6:] for each in told["messages"]} == {"-07:00"}


def test_no_factors_and_not_asked_are_two_things(client: httpx.Client, office: Office) -> None:
    asked = enrolled(client, facts={"factors": []})
    body = enrollment(phone="+13125550124")
    del body["facts"]["factors"]
    unasked = client.post("/enrollments", json=body).json()
    assert office.course(asked["enrollment"]).factors == frozenset()
    assert office.course(unasked["enrollment"]).factors == {"history_unknown"}
    assert asked["warnings"] == []
    assert len(unasked["warnings"]) == 1


def test_a_rehearsal_tells_everything_and_stores_nothing(client: httpx.Client, office: Office) -> None:
    before = office.dump()
    answer = client.post("/enrollments?dry_run=true", json=enrollment())
    told = answer.json()
    assert (answer.status_code, told["stored"], told["enrollment"], told["patient"]) == (200, False, None, None)
    assert len(told["messages"]) > 10
    after = office.dump()
    changed = {name for name in before if before[name] != after[name]}
    assert {name for name in changed if not name.startswith("audit_")} == {"api_key"}  # its last use


def test_what_is_to_be_said_at_the_desk_is_told(client: httpx.Client, office: Office) -> None:
    office.clock.move_to(office.clock.now().replace(day=11, hour=3, minute=0))
    told = enrolled(client, facts={"procedure_end": "2026-06-10T22:00:00-05:00"})
    assert {each["key"] for each in told["say_at_desk"]} >= {"warning_signs"}
    assert all(each["text"] for each in told["say_at_desk"])


def test_the_same_course_twice_is_told_with_the_first_ones_number(client: httpx.Client) -> None:
    first = enrolled(client)["enrollment"]
    answer = client.post("/enrollments", json=enrollment())
    assert (answer.status_code, code_of(answer)) == (409, "already_enrolled")
    assert answer.json()["enrollment"] == first
    assert enrolled(client, again=True, facts={"site": "left big toe"})["enrollment"] != first


def test_a_plan_that_nobody_approved_is_refused(client: httpx.Client, office: Office) -> None:
    vars(office.desk)["demo"] = False
    answer = client.post("/enrollments", json=enrollment())
    assert answer.status_code == 422
    assert "approve" in answer.text
    assert office.messages() == []


def test_a_course_is_told_as_the_chart_record_begins(client: httpx.Client, office: Office) -> None:
    number = enrolled(client, facts={"visit": "2026-06-24T10:00:00-05:00", "settings": {"stop_day": 7}})["enrollment"]
    office.reply("it is red and hot up to my ankle")
    with office.database.reading() as session:
        printed = record_as_json(chart_record(session, office.desk, number))
    record = client.get(f"/enrollments/{number}/record").json()
    assert record == printed
    assert client.get(f"/enrollments/{number}").json().items() <= record.items()
    assert client.get(f"/enrollments/{number}/messages").json()["messages"] == printed["messages"]


def test_a_change_is_seen_before_it_is_made(client: httpx.Client, office: Office) -> None:
    number = enrolled(client)["enrollment"]
    patch = {"facts": {"visit": "2026-06-24T10:00:00-05:00"}}
    seen = client.patch(f"/enrollments/{number}?dry_run=true", json=patch).json()
    assert seen["stored"] is False
    assert office.course(number).visit is None
    made = client.patch(f"/enrollments/{number}", json=patch).json()
    assert made == {**seen, "stored": True}
    assert {each["what"] for each in made["changes"]} >= {"added"}
    assert client.patch(f"/enrollments/{number}", json=patch).json()["changes"] == []


@pytest.mark.parametrize(
    ("patch", "fact", "becomes"),
    [
        ({"visit": None}, "visit", None),
        ({"site": None}, "site", None),
        ({"block_placed": "2026-06-10T10:00:00-05:00"}, "block_placed", "2026-06-10T15:00:00+00:00"),
        ({"factors": ["diabetes"]}, "factors", ["diabetes"]),
        ({"factors": []}, "factors", []),
        ({"settings": {"stop_day": 7}}, "settings", {"stop_day": 7}),
        ({"slots": {"evening": "18:30"}}, "slots.evening", "18:30"),
        ({"night_contact_agreed": True}, "night_contact_agreed", True),
        ({"language": "es"}, "language", "es"),
        ({"zone": "America/New_York"}, "zone", "America/New_York"),
        ({"procedure_end": "2026-06-10T10:00:00-05:00"}, "procedure_end", "2026-06-10T15:00:00+00:00"),
    ],
    ids=str,
)
def test_a_patch_changes_what_it_names_and_nothing_else(
    client: httpx.Client, patch: dict[str, Any], fact: str, becomes: Any
) -> None:
    """RFC 7396: what is left out stays, null takes away."""
    facts = {"visit": "2026-06-24T10:00:00-05:00", "site": "left big toe", "factors": ["blood_thinner"]}
    number = enrolled(client, facts=facts)["enrollment"]
    before = client.get(f"/enrollments/{number}").json()["facts"]
    answer = client.patch(f"/enrollments/{number}", json={"facts": patch})
    assert answer.status_code == 200, answer.text
    after = client.get(f"/enrollments/{number}").json()["facts"]
    name, _, inner = fact.partition(".")
    assert (after[name][inner] if inner else after[name]) == becomes
    assert {each for each in before if before[each] != after[each]} <= {name}


@pytest.mark.parametrize("patch", [{}, {"facts": {}}, {"facts": {"zone": None}}, {"facts": {"overlaps": True}}])
def test_a_patch_that_changes_nothing_or_too_much_is_refused(client: httpx.Client, patch: dict[str, Any]) -> None:
    number = enrolled(client)["enrollment"]
    answer = client.patch(f"/enrollments/{number}", json=patch)
    assert answer.status_code == 422
    assert at_fault(answer)[0].startswith("#/facts")


def test_a_change_to_another_version_is_refused(client: httpx.Client, office: Office) -> None:
    number = enrolled(client)["enrollment"]
    version = client.get(f"/enrollments/{number}").headers["etag"]
    office.replan(number, settings={"stop_day": 7})
    patch = {"facts": {"language": "es"}}
    stale = client.patch(f"/enrollments/{number}", json=patch, headers={"If-Match": version})
    assert (stale.status_code, code_of(stale)) == (412, "changed_meanwhile")
    assert office.course(number).language == "en"
    present = client.get(f"/enrollments/{number}").headers["etag"]
    fresh = client.patch(f"/enrollments/{number}", json=patch, headers={"If-Match": f'"x", {present}'})
    assert fresh.status_code == 200


def test_a_course_is_cancelled_once(client: httpx.Client, office: Office) -> None:
    number = enrolled(client)["enrollment"]
    told = client.post(f"/enrollments/{number}/cancel", json={"reason": "moved away"}).json()
    assert told["enrollment"] == number
    assert told["cancelled"] > 10
    assert {each.state for each in office.messages(number)} <= {"cancelled", "withheld", "at_checkout"}
    assert client.get(f"/enrollments/{number}").json()["state"] == "cancelled"
    again = client.post(f"/enrollments/{number}/cancel", json={"reason": "moved away"})
    assert (again.status_code, code_of(again)) == (409, "conflict")


def test_a_course_of_another_practice_is_no_course_here(client: httpx.Client, office: Office) -> None:
    number = enrolled(client)["enrollment"]
    with office.database.writing() as session:
        session.add(Practice(id="other", name="Other", created_at=office.clock.now()))
        session.flush()
        for table in ("enrollment", "message", "patient"):
            session.connection().exec_driver_sql(f"UPDATE {table} SET practice_id = 'other'")
    calls = (
        client.get(f"/enrollments/{number}"),
        client.get(f"/enrollments/{number}/record"),
        client.get(f"/enrollments/{number}/messages"),
        client.patch(f"/enrollments/{number}", json={"facts": {"language": "es"}}),
        client.patch(f"/enrollments/{number}?dry_run=true", json={"facts": {"language": "es"}}),
        client.post(f"/enrollments/{number}/cancel", json={"reason": "x"}),
        client.get("/patients/1/consents"),
        client.post("/patients/1/consents/give", json={"address": "+13125550199"}),
        client.post("/patients/1/consents/withdraw", json={"channel": "sms", "wording": "x"}),
    )
    assert {each.status_code for each in calls} == {404}
    assert client.get("/messages").json()["messages"] == []
