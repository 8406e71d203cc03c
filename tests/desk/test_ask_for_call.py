"""What a patient writes on their page is a reply like any other: in the list, in the record, in what is exported."""

from __future__ import annotations

import pytest

from reminders.desk.ask_for_call import Asked, CallWish, ask_for_call
from reminders.desk.chart_record import chart_record
from reminders.desk.concern_list import list_concerns
from reminders.desk.patient_page import PageRules, page_of_course
from reminders.desk.record_as_fhir import record_as_fhir
from reminders.replies import Label
from tests.desk.conftest import Opener
from tests.desk.office import PHONE, Office, minutes

RULES = PageRules(base="https://desk.example.org", key=bytes(32), stays=minutes(60 * 24 * 14), opened_for=minutes(60))


@pytest.fixture
def office(office_at: Opener) -> Office:
    """The practice; Robin was treated, and has a nurse on duty to be told."""
    office = office_at(
        duty={"people": {"nurse": {"name": "N. Nurse", "phone": "312-555-0141"}}},
    )
    office.enroll()
    office.dispatcher.run_once()
    return office


def ask(office: Office, words: str, once: str = "1") -> Asked:
    """Press the button on Robin's page."""
    with office.database.writing() as session:
        page = page_of_course(session, office.desk, RULES, 1)
        return ask_for_call(session, office.desk, page, CallWish(words=words, pressed="Ask for a call", once=once))


@pytest.mark.parametrize(
    ("words", "label", "urgency"),
    [
        ("", Label.ROUTINE, "routine"),
        ("all is well, thanks", Label.ROUTINE, "routine"),
        ("can I take a bath?", Label.ROUTINE, "routine"),
        ("7", Label.ROUTINE, "routine"),
        ("STOP", Label.ROUTINE, "routine"),
        ("wrong number", Label.ROUTINE, "routine"),
        ("there is pus and it smells", Label.URGENT, "urgent"),
        ("my chest hurts and i cant breathe", Label.EMERGENCY, "emergency"),
        ("<b>no</b> \x00\ud800 " + "x" * 5000, Label.ROUTINE, "routine"),
    ],
    ids=["nothing", "well", "question", "number", "stop", "wrong person", "pus", "chest", "odd"],
)
def test_whoever_asks_for_a_call_is_a_concern_as_urgent_as_their_words(
    office: Office, words: str, label: Label, urgency: str
) -> None:
    asked = ask(office, words)
    assert asked.label is label
    (concern,) = office.concerns()
    assert (concern.urgency, concern.patient_id, concern.enrollment_id) == (urgency, 1, 1)
    assert "callback" in concern.signs


def test_no_words_mean_what_stood_on_the_button(office: Office) -> None:
    ask(office, "  ")
    with office.database.reading() as session:
        (listed,) = list_concerns(session, office.desk)
    assert [said.text for said in listed.said] == ["Ask for a call"]
    assert [each.address for each in listed.reach] == [PHONE]


def test_an_emergency_is_told_to_the_person_on_duty_at_once(office: Office) -> None:
    ask(office, "my chest hurts and i cant breathe")
    assert [each["to"] for each in office.handed_over if each["to"] == "+13125550141"] == []
    office.dispatcher.run_once()
    assert "+13125550141" in [each["to"] for each in office.handed_over]


def test_words_that_release_a_number_do_not_do_so_here(office: Office) -> None:
    """Whoever opened the page by its code did not get it by mistake of a number."""
    ask(office, "wrong number, I am not Robin")
    assert office.contact_states() == ["active"]


def test_it_joins_the_concern_that_is_open_and_only_raises_it(office: Office) -> None:
    office.reply("there is pus and it smells")
    ask(office, "")
    (concern,) = office.concerns()
    assert concern.urgency == "urgent"
    ask(office, "i fainted and my chest hurts", once="2")
    (concern,) = office.concerns()
    assert concern.urgency == "emergency"


def test_two_halves_are_read_together_whichever_way_they_come(office: Office) -> None:
    office.reply("my chest")
    assert ask(office, "it hurts a lot and I am short of breath").label is Label.EMERGENCY


def test_chart_and_exchange_hold_it(office: Office) -> None:
    ask(office, "can I take a bath?")
    with office.database.reading() as session:
        record = chart_record(session, office.desk, 1)
    assert [(each.channel, each.text) for each in record.replies] == [("page", "can I take a bath?")]
    resources = [entry["resource"] for entry in record_as_fhir(office.desk, record)["entry"]]
    media = [str(each.get("medium")) for each in resources if each["resourceType"] == "Communication"]
    assert any("ONLINEWRIT" in each for each in media)
