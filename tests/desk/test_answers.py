"""What is answered at once to a reply: true at its hour, and never without end."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.desk.conftest import Opener
from tests.desk.office import Office, at

EMERGENCY = "I can't breathe and my face is swelling up"
URGENT = "there is pus coming out and it smells"
LUNCH = {
    "practice": {
        "name": "Example Foot Care",
        "zone": "America/Chicago",
        "phone": "312-555-0100",
        "after_hours_phone": "312-555-0199",
        "email": "office@example.org",
        "opening_hours": {"wednesday": ["08:30-12:00", "13:00-17:30"], "closed_on": ["2026-06-11"]},
    }
}


def answered(office: Office, text: str) -> str:
    """The words that come back."""
    office.reply(text)
    return " ".join(office.answers()).replace("\N{NARROW NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        pytest.param("2026-06-10T11:50", "We will call you today by 4:50 PM", id="the-break-does-not-count"),
        pytest.param("2026-06-10T12:20", "call 312-555-0199 now", id="nobody-there-over-lunch"),
        pytest.param("2026-06-10T17:14", "We will call you today by 5:30 PM", id="a-quarter-of-an-hour-left"),
        pytest.param("2026-06-10T17:16", "is closing. Please call 312-555-0199 now", id="about-to-close"),
        pytest.param("2026-06-10T17:30", "is closed. Please call 312-555-0199 now", id="closed"),
        pytest.param("2026-06-11T11:00", "call 312-555-0199 now", id="a-day-off"),
    ],
)
def test_a_call_is_promised_only_while_somebody_can_make_it(office_at: Opener, moment: str, said: str) -> None:
    office = office_at(**LUNCH)
    office.enroll()
    office.play(moment)
    text = answered(office, URGENT)
    assert said in text
    assert ("today by" in text) == ("today by" in said)


@pytest.mark.parametrize(
    ("moment", "said"),
    [
        pytest.param("2026-06-10T08:40", "call you today by 10:40 PM", id="the-same-day-there"),
        pytest.param("2026-06-10T10:30", "call you by 12:30 AM", id="midnight-comes-between"),
        pytest.param("2026-06-10T16:00", "call you today by 2:30 AM", id="already-tomorrow-there"),
    ],
)
def test_today_is_the_patient_s(office_at: Opener, moment: str, said: str) -> None:
    office = office_at("2026-06-10T08:30", **LUNCH)
    office.enroll(zone="Asia/Dubai")  # nine hours ahead of Chicago in summer
    office.play(moment)
    assert said in answered(office, URGENT)


def test_a_promise_whose_hour_has_passed_is_not_sent(office: Office) -> None:
    office.enroll()
    office.play("2026-06-10T17:10")
    office.reply(URGENT)
    office.clock.move_to(at("2026-06-10T17:31"))
    assert not any("today" in text for text in office.answers())
    assert office.concerns()[0].urgency == "urgent"


def test_whoever_was_promised_a_call_and_waits_past_closing_is_told_whom_to_call(office: Office) -> None:
    office.enroll()
    office.play("2026-06-10T17:10")
    assert "today by 5:30 PM" in answered(office, URGENT)
    office.clock.move_to(at("2026-06-10T17:35"))
    assert "call 312-555-0199 now" in answered(office, f"{URGENT}, nobody called")
    office.clock.move_to(at("2026-06-10T17:50"))
    assert answered(office, f"still {URGENT}") == ""


def test_that_somebody_was_told_is_said_only_where_somebody_is(office_at: Opener) -> None:
    told = "We have told our on-call person"
    alone, staffed = office_at(), office_at(duty={"people": {"nurse": {"name": "N. Nurse", "phone": "312-555-0141"}}})
    for office in (alone, staffed):
        office.enroll()
        office.answers()
    assert told not in answered(alone, EMERGENCY)
    assert told in answered(staffed, EMERGENCY)


def test_whoever_stops_starts_and_stops_again_is_told_each_time(office: Office) -> None:
    office.enroll()
    office.answers()
    assert [office.reply(word).answered_with for word in ("STOP", "START", "STOP", "STOP")] == [
        *("answer_stopped", "answer_started", "answer_stopped", None)
    ]


@pytest.mark.parametrize(("words", "most"), [(EMERGENCY, 6), (URGENT, 3), ("blrgh flrp qwx", 3)])
def test_the_same_words_are_answered_a_few_times_a_day_and_always_kept(office: Office, words: str, most: int) -> None:
    # RFC 3834 section 2 (from memory): a responder limits what it sends to one sender; here for SMS as well
    office.enroll()
    office.answers()
    answers = 0
    for _ in range(15):
        office.clock.advance(timedelta(minutes=61))
        answers += office.reply(words).answered_with is not None
    assert answers == most
    assert len([each for each in office.history(1) if each.reply_id]) == 15


def test_other_words_after_many_same_ones_are_answered(office: Office) -> None:
    office.enroll()
    for _ in range(5):
        office.clock.advance(timedelta(minutes=61))
        office.reply("I am driving")
    assert office.reply(EMERGENCY).answered_with == "answer_emergency"
