"""The pages of staff in every other language: nothing that the program says is left in English."""

from __future__ import annotations

import html
import re
from itertools import product

import pytest
from markupsafe import escape

from reminders import words
from reminders.desk.roles import Role
from reminders.desk.waiting import take_in
from reminders.web.pages import runs_apart
from tests.desk.office import Office
from tests.exchange.test_hl7_reading import A04
from tests.sentences import english_left_in
from tests.web.people import browser_of, send
from tests.web.server import Server

pytestmark = pytest.mark.usefixtures("english_again")


def text_of(page: str) -> str:
    """What a reader sees, without what was written to and by patients."""
    visible = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", visible))


def test_pages_of_a_course_and_its_concern_have_no_english_left(office: Office, server: Server) -> None:
    office.enroll(visit="2026-06-24T09:30", factors=frozenset({"diabetes"}))
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle, and I have a fever of 102")
    with office.database.writing() as session:
        take_in(session, office.desk, A04.encode())
    course = ("/staff/courses/1", "/staff/courses/1/record")
    pages = ("/staff/today", "/staff/concerns", "/staff/concerns/1", "/staff/waiting", *course)
    left = {}
    with browser_of(server, office, Role.NURSE) as nora:
        for language, page in product(words.available()[1:], pages):
            words.speak(language)
            answer = nora.get(page)
            assert answer.status_code == 200, page
            assert f'lang="{language}"' in answer.text
            texts = english_left_in(text_of(answer.text))
            left[language, page] = [each for each in texts if not said_to_patients(office, each)]
    office.dispatcher.close()
    assert {place: texts for place, texts in left.items() if texts} == {}


def said_to_patients(office: Office, words_left: str) -> bool:
    """Say whether it stands in a text to the patient, who reads English."""
    return any(words_left in " ".join((message.text or "").split()) for message in office.messages())


def test_the_changes_of_every_setting_have_no_english_left(office: Office, server: Server) -> None:
    with browser_of(server, office, Role.ADMINISTRATOR) as ada:
        for section, fields in CHANGES.items():
            assert send(ada, f"/staff/settings/{section}/change", **fields).status_code == 303, section
        for language in words.available()[1:]:
            words.speak(language)
            assert english_left_in(text_of(ada.get("/staff/settings/changes").text)) == []


CHANGES = {
    "practice": {"name": "Example Care", "phone": "312-555-0150", "emergency_number": "911", "visit_minutes": "20"},
    "opening_hours": {"monday": "09:00-12:00", "saturday": "09:00-12:00", "closed_on": "2026-12-25"},
    "contact": {"quiet_hours": "20:00-08:00", "quiet_hours_on.sunday": "18:00-09:00", "daily_limit": "4"},
    "duty": {
        "person.0.name": "Nora", "person.0.phone": "312-555-0151", "emergency_step_minutes": "4", "step_minutes": "14",
        "urgent_take_minutes": "20",
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("مثل 2026-03-07T15:30", 'مثل <bdi dir="ltr">2026-03-07T15:30</bdi>'),
        ("مثل 21:00-08:00، أو <b>", 'مثل <bdi dir="ltr">21:00-08:00</bdi>، أو &lt;b&gt;'),
        ("الرقم +1 312-555-0123 هنا", 'الرقم <bdi dir="ltr">+1 312-555-0123</bdi> هنا'),
        ("30 يوما", "30 يوما"),
    ],
)
def test_dates_hours_and_numbers_keep_their_order_among_arabic_words(said: str, shown: str) -> None:
    words.speak("ar")
    assert escape(runs_apart(said)) == shown
