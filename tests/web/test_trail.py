"""Every page of staff and every call of a program that shows or changes something of a patient leaves an entry."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from fastapi.routing import APIRoute

from reminders.desk.roles import Role
from reminders.desk.waiting import take_in
from reminders.records import audit
from reminders.records.audit import Wanted
from reminders.records.audit_chain import Entry
from reminders.web.staff import ROUTERS
from tests.build import LEAD
from tests.desk.office import Office
from tests.exchange.test_hl7_reading import A04
from tests.web.people import NAMES, browser_of, employ, send
from tests.web.programs import BODIES, key_of, operations, program
from tests.web.server import Server

COURSE, CONCERN, STAFF = "/staff/courses/{enrollment_id}", "/staff/concerns/{concern_id}", "/staff/settings/people"
WALLS = {"end": "2026-06-10 10:30", "zone": "America/Chicago", "language": "en", "channel": "sms"}
ALL = (Role.NURSE, Role.CLINICIAN, Role.ADMINISTRATOR)

LEAVES: Mapping[str, tuple[str, dict[str, Any]]] = {
    "GET /staff/concerns": ("concern.see", {}),
    "GET /staff/concerns/list": ("concern.see", {}),
    "GET /staff/concerns/closed": ("concern.see", {"closed": True}),
    f"GET {CONCERN}": ("concern.see", {}),
    f"POST {CONCERN}/take": ("concern.taken", {}),
    f"POST {CONCERN}/note": ("concern.note", {"note": "no answer"}),
    f"POST {CONCERN}/close": ("concern.closed", {"outcome": "reached"}),
    f"POST {CONCERN}/hand-over": ("concern.handed_over", {"to": "Nora Nurse"}),
    f"POST {CONCERN}/reopen": ("concern.reopened", {"note": "called again", "closed": True}),
    "POST /staff/checkout/find": ("patient.find", {"search": "Robin"}),
    "POST /staff/checkout/known/{patient_id}": ("patient.find", {}),
    "POST /staff/checkout": (
        "patient.enroll",
        {**WALLS, "procedure": LEAD, "first_name": "Ash", "last_name": "Invented", "phone": "312-555-0124"}
        | {"consent": "on", "factor": "none"},
    ),
    "POST /staff/checkout/preview": (
        "patient.try",
        {**WALLS, "procedure": LEAD, "first_name": "Robin", "last_name": "Invented", "phone": "312-555-0123"}
        | {"factor": "none"},
    ),
    "POST /staff/checkout/{enrollment_id}/take-back": ("course.cancel", {}),
    "POST /staff/patients": ("patient.find", {"search": "Robin"}),
    f"GET {COURSE}": ("course.see", {}),
    f"GET {COURSE}/record": ("record.see", {}),
    f"GET {COURSE}/record.json": ("record.see", {}),
    f"GET {COURSE}/record.pdf": ("record.see", {}),
    f"GET {COURSE}/sheet": ("course.see", {}),
    f"GET {COURSE}/change": ("course.see", {}),
    f"POST {COURSE}/change": ("course.see", {**WALLS, "visit": "2026-06-24 10:00", "looked": "1"}),
    f"POST {COURSE}/pause": ("course.pause", {"reason": "in hospital"}),
    f"POST {COURSE}/resume": ("course.resume", {"reason": "back", "paused": True}),
    f"POST {COURSE}/end": ("course.end", {"sure": "1"}),
    f"POST {COURSE}/messages/{{message_id}}/again": ("message.send_again", {"sent": True}),
    f"POST {COURSE}/consent/give": ("consent.given", {"agreed": "1", "address": "312-555-0125"}),
    f"POST {COURSE}/consent/withdraw": ("consent.withdrawn", {"channel": "sms", "wording": "no more"}),
    "GET /staff/today": ("today.see", {}),
    "POST /staff/plans/{procedure}/approve": ("plan.approve", {"read": "1", "content": "now"}),
    "POST /staff/settings/test": ("message.test", {"address": "312-555-0126"}),
    f"POST {STAFF}": ("staff.invite", {"login": "pat", "name": "Pat Person", "roles": "nurse"}),
    f"POST {STAFF}/{{staff_id}}/link": ("staff.new_link", {}),
    f"POST {STAFF}/{{staff_id}}/roles": ("staff.roles", {"roles": "front_desk"}),
    f"POST {STAFF}/{{staff_id}}/let-go": ("staff.let_go", {}),
    "POST /staff/settings/programs": ("api_key.add", {"name": "Door", "scopes": "enroll"}),
    "POST /staff/settings/programs/revoke": ("api_key.revoke", {"name": "Door", "has_key": True}),
    "GET /staff/waiting": ("waiting.see", {"told": True}),
    "POST /staff/waiting/{waiting_id}/dismiss": ("waiting.dismiss", {"told": True}),
    "POST /staff/checkout/waiting/{waiting_id}": ("waiting.see", {"told": True}),
    "GET /staff/audit": ("audit.see", {}),
}
"""A page, the entry that it leaves, and what its form holds."""

LEAVES_NONE = {
    "GET /staff/sign-in": "a form for anybody",
    "GET /staff/welcome/{token}": "a form for who was invited",
    "GET /staff/": "leads on",
    "GET /staff/go-on": "gives back what the person typed themselves",
    "POST /staff/forget": "throws away what the person typed themselves",
    "GET /staff/account": "the person's own sign-in",
    "GET /staff/concerns/stream": "numbers without persons",
    "GET /staff/checkout": "an empty form",
    "POST /staff/checkout/choose": "the form as it was typed",
    "GET /staff/patients": "an empty form",
    "GET /staff/plans": "plans, not patients",
    "GET /staff/plans/{procedure}": "plans, not patients",
    "GET /staff/plans/{procedure}/compare": "plans, not patients",
    "POST /staff/plans/{procedure}/check": "plans, not patients",
    "GET /staff/plans/{procedure}/check": "plans, not patients",
    "GET /staff/settings": "the practice's own settings",
    "GET /staff/settings/programs": "keys, not patients",
    "GET /staff/settings/changes": "the practice's own settings",
    "GET /staff/settings/{section}": "the practice's own settings",
}
ELSEWHERE = {
    "POST /staff/sign-in": "tests/desk/test_trail.py",
    "POST /staff/sign-out": "tests/desk/test_trail.py",
    "POST /staff/welcome/{token}": "tests/desk/test_trail.py",
    "POST /staff/account/password": "tests/desk/test_trail.py",
    "POST /staff/account/factor": "tests/desk/test_trail.py",
    "POST /staff/account/factor/remove": "tests/desk/test_trail.py",
    f"POST {COURSE}/page/renew": "tests/desk/test_trail.py, as it needs an address for patients' pages",
    "POST /staff/settings/{section}/change": "below",
    "POST /staff/settings/{section}/to-file": "below",
    "POST /staff/settings/changes/{version}/put-back": "below",
}


def staff_pages() -> Iterator[str]:
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, APIRoute)
            yield from (f"{method} {route.path}" for method in route.methods or ())


def entries(office: Office) -> list[Entry]:
    """Every entry, oldest first."""
    with office.database.reading() as session:
        return audit.find_entries(session, office.desk.practice_id, Wanted(), limit=1000)[::-1]


def test_every_page_of_staff_is_tried_or_says_why_it_leaves_none() -> None:
    assert set(staff_pages()) == {*LEAVES, *LEAVES_NONE, *ELSEWHERE}


@pytest.mark.parametrize("page", list(LEAVES))
def test_a_page_that_shows_or_changes_something_leaves_an_entry(server: Server, busy_office: Office, page: str) -> None:
    method, path = page.split(" ")
    action, form = LEAVES[page][0], dict(LEAVES[page][1])
    with browser_of(server, busy_office, *ALL, name="Ada Admin", login="ada") as browser:
        _prepare(server, busy_office, form)
        employ(busy_office, Role.NURSE)
        ids = {
            "enrollment_id": "1",
            "concern_id": "1",
            "patient_id": "1",
            "staff_id": "2",
            "waiting_id": "1",
        }
        ids["message_id"] = next((str(each.id) for each in busy_office.messages(1) if each.state == "sent"), "")
        there = re.sub(r"\{(\w+)\}", lambda found: ids.get(found[1], LEAD), path)
        if form.get("content") == "now":
            form["content"] = busy_office.desk.library.get(LEAD).content_hash
        before = len(entries(busy_office))
        answer = browser.get(there) if method == "GET" else send(browser, there, **form)
    assert answer.status_code in {200, 303}, answer.text
    new = entries(busy_office)[before:]
    assert action in [each.action for each in new]
    assert {(each.who_kind, each.who) for each in new} == {("staff", "1")}


def _prepare(server: Server, office: Office, form: dict[str, Any]) -> None:
    """Bring the practice into the state that a page needs; such words are taken out of its form."""
    if form.pop("told", False):
        with office.database.writing() as session:
            take_in(session, office.desk, A04.encode())
    if form.pop("has_key", False):
        key_of(office, name="Door")
    if form.pop("sent", False):
        office.dispatcher.run_once()
    if form.pop("closed", False) or form.pop("paused", False):
        with browser_of(server, office, *ALL, name="Bo Before", login="before") as browser:
            send(browser, "/staff/concerns/1/close", outcome="reached")
            send(browser, "/staff/courses/1/pause", reason="in hospital")


def test_a_page_for_which_the_right_is_missing_leaves_an_entry(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, Role.FRONT_DESK) as browser:
        assert browser.get("/staff/concerns").status_code == 403
    last = entries(busy_office)[-1]
    assert (last.action, last.outcome, last.about) == ("access.refused", "refused", "GET /staff/concerns")


def test_a_preview_for_somebody_new_shows_no_patient_and_leaves_none(server: Server, busy_office: Office) -> None:
    form = {**LEAVES["POST /staff/checkout/preview"][1], "first_name": "Ash", "phone": "312-555-0124"}
    with browser_of(server, busy_office, Role.FRONT_DESK) as browser:
        before = len(entries(busy_office))
        assert send(browser, "/staff/checkout/preview", **form).status_code == 200
    assert len(entries(busy_office)) == before


def test_a_list_that_refreshes_itself_is_noted_once_an_hour(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, Role.NURSE) as browser:
        browser.get("/staff/concerns/list")
        before = len(entries(busy_office))
        browser.get("/staff/concerns/list?again=1")
    assert len(entries(busy_office)) == before


OPERATIONS = tuple(operations())
TOLD = {
    "enroll": "patient.enroll",
    "courses:read": "course.see",
    "records:read": "record.see",
    "messages:read": "message.see",
    "concerns:read": "concern.see",
    "consents:read": "consent.see",
    "replies:write": "reply.take",
}
CHANGED = {
    "PATCH /enrollments/{enrollment}": "course.change",
    "POST /enrollments/{enrollment}/cancel": "course.cancel",
    "POST /concerns/{concern}/take": "concern.taken",
    "POST /concerns/{concern}/note": "concern.note",
    "POST /concerns/{concern}/call": "concern.called",
    "POST /concerns/{concern}/close": "concern.closed",
    "POST /concerns/{concern}/hand-over": "concern.handed_over",
    "POST /concerns/{concern}/give-back": "concern.given_back",
    "POST /concerns/{concern}/reopen": "concern.reopened",
    "POST /patients/{patient}/consents/give": "consent.given",
    "POST /patients/{patient}/consents/withdraw": "consent.withdrawn",
}


@pytest.mark.parametrize(("method", "path", "scope"), OPERATIONS, ids=[f"{m} {p}" for m, p, _ in OPERATIONS])
def test_every_call_of_a_program_leaves_an_entry(
    server: Server, busy_office: Office, method: str, path: str, scope: str
) -> None:
    name, action = f"{method} {path}", TOLD.get(scope, "")
    employ(busy_office, Role.NURSE, name=NAMES[Role.NURSE])
    with program(server, busy_office) as client:
        body = BODIES.get(name)
        if name == "POST /enrollments" and body:
            body = {**body, "again": True}
        if path.endswith("reopen"):
            client.post("/concerns/1/close", json=BODIES["POST /concerns/{concern}/close"])
        if path.endswith("give-back"):
            client.post("/concerns/1/take")
        before = len(entries(busy_office))
        there = path.replace("{enrollment}", "1").replace("{concern}", "1").replace("{patient}", "1")
        answer = client.request(method, there, json=body)
    assert answer.status_code < 300, answer.text
    new = entries(busy_office)[before:]
    assert CHANGED.get(name, action) in [each.action for each in new]
    assert {(each.who_kind, each.who) for each in new} == {("key", "1")}


def test_a_key_without_the_scope_leaves_an_entry(server: Server, busy_office: Office) -> None:
    with program(server, busy_office, OPERATIONS[0][2]) as client:
        client.get("/concerns")
    last = entries(busy_office)[-1]
    assert (last.action, last.outcome, last.about) == ("access.refused", "refused", "scope concerns:read")


def test_whoever_the_page_of_the_day_names_is_in_the_trail_by_number(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, Role.NURSE) as browser:
        assert "Still today" in browser.get("/staff/today").text
    seen = [each for each in entries(busy_office) if each.action == "today.see"]
    assert [(each.patient_id, each.about) for each in seen] == [(1, "enrollment 1")]


def test_no_entry_holds_a_name_a_number_or_a_word_of_a_patient(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, *ALL, name="Ada Admin", login="ada") as browser:
        for page in ("/staff/courses/1", "/staff/concerns", "/staff/today"):
            browser.get(page)
        send(browser, "/staff/patients", search="Robin")
        send(browser, "/staff/concerns/1/note", note="Robin does not answer")
    for each in entries(busy_office):
        for word in ("Robin", "Invented", "5550123", "555-0123", "ankle", "answer"):  # a proof may hold "555"
            assert word not in str(each._replace(hash="", previous=""))


def test_the_page_of_administrators_tells_who_looked_at_a_patient(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, Role.NURSE) as nurse:
        nurse.get("/staff/courses/1")
    with browser_of(server, busy_office, Role.ADMINISTRATOR) as browser:
        page = browser.get("/staff/audit?patient=1").text
    assert "Nora Nurse" in page
    assert "saw the course" in page
    assert "Robin" not in page


def test_changed_and_restored_settings_leave_entries_without_their_values(server: Server, busy_office: Office) -> None:
    with browser_of(server, busy_office, Role.ADMINISTRATOR) as browser:
        page = "/staff/settings/contact"
        send(browser, f"{page}/change", seen="0", quiet_hours="21:30-08:00", daily_limit="6")
        send(browser, "/staff/settings/changes/1/put-back")
        send(browser, f"{page}/to-file")
    found = [each for each in entries(busy_office) if each.action == "settings.set"]
    assert len(found) == 3
    assert "21:30" not in str(found)
