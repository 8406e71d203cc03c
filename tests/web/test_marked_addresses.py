"""No address that a page of staff leads to or is sent on to holds a word of a patient: addresses are logged."""

from __future__ import annotations

import re
from html import unescape

import pytest

from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.records.traces import held
from tests.web.people import browser_of, send
from tests.web.server import Server

MARKS = ("Zébedee", "Quillfeather", "3125550177", "312-555-0177", "zebedee.q", "xylograph", "xiphoid", "xyster")
_LEADS = re.compile(r'\s(?:href|src|action|formaction|hx-\w+|sse-connect)="([^"]*)"')
_OUTSIDE = ("tel:", "mailto:", "sms:")
"""Taken by the telephone or the mail program beside the browser; a number is what they are for."""


@pytest.fixture
def marked(office: Office) -> Office:
    """The practice with a marked patient who wrote, and a note about them."""
    who = {"first_name": "Zébedee", "last_name": "Quillfeather", "phone": "312-555-0177"}
    office.enroll(**who, email="zebedee.q@example.org", site="left xiphoid")
    office.reply("it is red and hot and smells of xylograph", sender="+13125550177")
    return office


def test_no_link_form_or_redirect_holds_a_mark(server: Server, marked: Office) -> None:
    roles = (Role.FRONT_DESK, Role.NURSE, Role.CLINICIAN, Role.ADMINISTRATOR)
    with browser_of(server, marked, *roles, name="Ada Admin", login="ada") as browser:
        answers = [
            send(browser, "/staff/concerns/1/take"),
            send(browser, "/staff/concerns/1/note", note="xyster"),
            send(browser, "/staff/patients", search="Quillfeather"),
            send(browser, "/staff/checkout/find", search="Quillfeather"),
            send(browser, "/staff/checkout/known/1"),
            send(browser, "/staff/courses/1/pause", reason="xyster"),
            *(
                browser.get(f"/staff/{page}")
                for page in ("concerns", "concerns/1", "concerns/list", "today", "courses/1", "courses/1/record",
                             "courses/1/change", "courses/1/sheet", "patients", "audit", "waiting")
            ),
        ]  # fmt: skip
    assert {each.status_code for each in answers} <= {200, 303}
    assert held("".join(each.text for each in answers).encode(), MARKS)  # the pages are about this patient
    addresses = [unescape(found) for each in answers for found in _LEADS.findall(each.text)]
    addresses += [each.headers["location"] for each in answers if "location" in each.headers]
    assert len(addresses) > 100
    inside = "\n".join(each for each in addresses if not each.startswith(_OUTSIDE))
    assert held(inside.encode(), MARKS) == []


@pytest.mark.parametrize(
    "path", ["/staff/courses/1/Quillfeather", "/staff/Quillfeather", "/staff/patients/Quillfeather"]
)
def test_a_page_that_is_not_there_repeats_no_address(server: Server, marked: Office, path: str) -> None:
    with browser_of(server, marked, Role.NURSE) as browser:
        answer = browser.get(f"/staff/{path}")
    assert answer.status_code == 404
    assert held(answer.content, MARKS) == []
