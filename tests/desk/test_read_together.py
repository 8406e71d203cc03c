"""Texts that a patient sends one after the other are read as one, and each is still kept and acted on for itself."""

from __future__ import annotations

import pytest

from reminders.records import replies
from tests.desk.office import Office, minutes


@pytest.fixture
def enrolled(office: Office) -> Office:
    office.enroll()
    office.play("2026-06-10T14:00")
    return office


def test_a_sign_spread_over_two_texts_is_found(enrolled: Office) -> None:
    assert enrolled.reply("question about my leg").label == "routine"
    enrolled.clock.advance(minutes(1))
    taken = enrolled.reply("is swelling")
    assert (taken.label, taken.signs[0]) == ("urgent", "leg_swelling")
    (concern,) = enrolled.concerns()
    assert concern.urgency == "urgent"


def test_what_was_found_before_keeps_no_place_in_the_later_text(enrolled: Office) -> None:
    enrolled.reply("my leg")
    taken = enrolled.reply("is swelling")
    with enrolled.database.reading() as session:
        kept = replies.replies_by_id(session, [taken.reply_id])[taken.reply_id]
    assert kept.text == "is swelling"
    assert all(each["end"] <= len(kept.text) for each in kept.why)


def test_after_some_minutes_a_text_stands_for_itself(enrolled: Office) -> None:
    enrolled.reply("my leg")
    enrolled.clock.advance(minutes(6))
    assert enrolled.reply("is swelling").label != "urgent"


def test_thanks_after_a_sign_are_thanks_and_the_concern_stays(enrolled: Office) -> None:
    assert enrolled.reply("there is pus coming out").label == "urgent"
    assert enrolled.reply("ok thanks").label == "none"
    assert [each.urgency for each in enrolled.concerns()] == ["urgent"]


@pytest.mark.parametrize(("first", "second", "state"), [("STOP", "START", "active"), ("START", "STOP", "stopped")])
def test_the_last_control_word_counts(enrolled: Office, first: str, second: str, state: str) -> None:
    enrolled.reply(first)
    enrolled.reply(second)
    assert enrolled.contact_states() == [state]


def test_words_after_a_stop_do_not_stop_again(enrolled: Office) -> None:
    enrolled.reply("STOP")
    enrolled.reply("START")
    enrolled.reply("ok thanks")
    assert enrolled.contact_states() == ["active"]
