"""The chart record as HL7 FHIR: every bundle is read by a reference library, and tells the course as it went.

The library, `fhir.resources`, has R4B (4.3.0) as the nearest to R4 (4.0.1).
The resources used here have the same elements in both: R4B changed those on medicine, evidence and subscriptions
(HL7, "FHIR R4B: version history", from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir.resources.R4B.bundle import Bundle

from reminders.desk.chart_record import chart_record
from reminders.desk.concerns import take_concern
from reminders.desk.end_course import cancel_course
from reminders.desk.record_as_fhir import record_as_fhir
from reminders.exchange.fhir import hash_uri
from tests.desk.office import PHONE, Office

Opener = Callable[..., Office]


def _bundle(office: Office, enrollment_id: int) -> dict[str, Any]:
    with office.database.reading() as session:
        made = record_as_fhir(office.desk, chart_record(session, office.desk, enrollment_id))
    Bundle.model_validate(made)
    return made


def _those(bundle: dict[str, Any], resource_type: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == resource_type]


def _played(office: Office) -> int:
    enrolled = office.enroll(email="robin@example.org", visit="2026-06-24T10:00")
    office.play("2026-06-12T12:00")
    office.reply("it is red and hot up to my ankle")
    office.play("2026-06-13T09:00")
    return enrolled.enrollment_id


def test_every_reference_leads_to_an_entry_and_none_stands_twice(office: Office) -> None:
    bundle = _bundle(office, _played(office))
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
    referred: set[str] = set()

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            referred.update(value for name, value in node.items() if name == "reference" and isinstance(value, str))
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for each in node:
                walk(each)

    walk(bundle)
    assert referred
    assert referred <= set(urls)


def test_a_bundle_tells_what_was_planned_sent_heard_and_done(office: Office) -> None:
    enrollment_id = _played(office)
    with office.database.writing() as session:
        (concern,) = office.concerns()
        take_concern(session, office.desk, concern.id or 0, by="Nurse")
    bundle = _bundle(office, enrollment_id)
    rows = office.messages(enrollment_id)
    assert len(_those(bundle, "CommunicationRequest")) == len(rows)
    sent = [row for row in rows if row.state in {"sent", "delivered"}]
    said = [each for each in _those(bundle, "Communication") if each["status"] == "completed" and "basedOn" in each]
    spoken = [row for row in rows if row.state == "at_checkout"]
    assert len(said) == len(sent) + len(spoken)
    assert {each["payload"][0]["contentString"] for each in said} >= {row.text for row in sent}
    (heard,) = [each for each in _those(bundle, "Communication") if "received" in each]
    assert heard["payload"] == [{"contentString": "it is red and hot up to my ankle"}]
    (task,) = _those(bundle, "Task")
    assert (task["status"], task["priority"], task["owner"]["display"]) == ("in-progress", "urgent", "Nurse")
    assert [note["authorString"] for note in task["note"]][-1] == "Nurse"
    (visit,) = _those(bundle, "Appointment")
    assert (visit["start"], visit["end"]) == ("2026-06-24T15:00:00.000Z", "2026-06-24T15:30:00.000Z")
    (person,) = _those(bundle, "Patient")
    assert {each["value"] for each in person["telecom"]} == {PHONE, "robin@example.org"}
    assert {each["status"] for each in _those(bundle, "Consent")} == {"active"}


def test_a_withheld_message_says_why_and_a_stop_ends_the_consent(office: Office) -> None:
    enrolled = office.enroll()
    office.play("2026-06-12T12:00")
    office.reply("STOP")
    office.play("2026-06-13T12:00")
    bundle = _bundle(office, enrolled.enrollment_id)
    not_done = [each for each in _those(bundle, "Communication") if each["status"] == "not-done"]
    assert not_done
    assert all(each["statusReason"]["text"] for each in not_done)
    last = max(_those(bundle, "Consent"), key=lambda each: str(each["dateTime"]))
    assert (last["status"], last["provision"]["type"]) == ("inactive", "deny")
    (person,) = _those(bundle, "Patient")
    assert "telecom" not in person


def test_the_plan_is_named_by_the_hash_of_the_content_that_was_approved(office_at: Opener) -> None:
    office = office_at()
    bundle = _bundle(office, office.enroll().enrollment_id)
    (plan,) = _those(bundle, "CarePlan")
    with office.database.reading() as session:
        row = chart_record(session, office.desk, 1)
    assert plan["instantiatesUri"] == [hash_uri(row.plan.content_hash)]
    # RFC 6920 section 8.1: the SHA-256 of "Hello World!", in hexadecimal by any tool
    digest = "7f83b1657ff1fc53b92dc18148a1d65dfc2d4b1fa3d677284addd200126d9069"
    assert hash_uri(digest) == "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"


def test_the_same_thing_has_the_same_id_in_every_bundle_of_its_practice(office: Office) -> None:
    enrollment_id = _played(office)
    first, second = (_bundle(office, enrollment_id) for _ in range(2))
    assert [each["fullUrl"] for each in first["entry"]] == [each["fullUrl"] for each in second["entry"]]


def test_a_course_that_was_called_off_is_revoked_on_its_day(office: Office) -> None:
    enrolled = office.enroll()
    office.play("2026-06-11T12:00")
    with office.database.writing() as session:
        cancel_course(session, office.desk, enrolled.enrollment_id, by="Nurse", reason="treated again")
    (plan,) = _those(_bundle(office, enrolled.enrollment_id), "CarePlan")
    assert plan["status"] == "revoked"
    assert plan["period"]["end"] == "2026-06-11T17:00:00.000Z"
