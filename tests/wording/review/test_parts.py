"""What a text has to hold: who writes, whom to call, how to stop, and how to answer."""

from __future__ import annotations

import pytest

from reminders.care.values import Asks
from reminders.wording.render import Sender
from reminders.wording.review import parts
from reminders.wording.review.parts import Role
from reminders.wording.review.word_lists import read_word_lists
from tests.build import LEAD, PLANS

WORDS = read_word_lists("en", folder=PLANS / LEAD, shared=PLANS / "shared").review
SENDER = Sender(
    practice_name="Example Practice", practice_phone="212-555-0100", after_hours_phone="", emergency_number="911"
)
DESK = "Example Practice: texts about your care. Call 212-555-0100. Not for emergencies: call 911. Reply STOP to stop."


def rules(text: str, role: Role) -> list[str]:
    return [flaw.rule for flaw in parts.part_flaws(text, role, SENDER, WORDS)]


# 47 CFR 64.1200(b)(1): who writes; (a)(10): a way to stop.
@pytest.mark.parametrize(
    ("without", "rule"),
    [
        ("Example Practice", "who_writes"),
        ("212-555-0100", "whom_to_call"),
        ("911", "whom_to_call"),
        ("STOP", "way_to_stop"),
        ("Not for emergencies", "not_for_emergencies"),
    ],
)
def test_the_desk_message_lacks_nothing(without: str, rule: str) -> None:
    assert rules(DESK, Role.DESK) == []
    assert rules(DESK.replace(without, "it"), Role.DESK) == [rule]


def test_the_emergency_number_within_another_number_is_none() -> None:
    assert rules(DESK.replace("call 911", "call 0911"), Role.DESK) == ["whom_to_call"]


def test_warning_signs_say_whom_to_call_and_a_reminder_need_not() -> None:
    assert rules("Red? Call 212-555-0100, or 911.", Role.WARNING) == []
    assert rules("Red? Call us.", Role.WARNING) == ["whom_to_call", "whom_to_call"]
    assert rules("Soak it.", Role.REMINDER) == []


@pytest.mark.parametrize(
    ("asks", "text", "flaws"),
    [
        (Asks.YES_NO, "Does it bleed? Reply YES or NO.", 0),
        (Asks.YES_NO, "Does it bleed? Reply YES.", 1),
        (Asks.YES_NO, "Does it bleed? Is it red? Reply YES or NO.", 1),
        (Asks.PAIN, "How bad is it, from 0 to 10?", 0),
        (Asks.PAIN, "How bad is it, from 1 to 10?", 1),
        (Asks.PAIN, "Rate it from 0 to 10.", 1),
        (Asks.VISIT, "Reply C to confirm.", 0),
        (Asks.VISIT, "Reply to confirm.", 1),
        (None, "Soak it.", 0),
        (None, "Soak it. Reply YES.", 1),
    ],
)
def test_a_question_says_how_to_answer_it(asks: Asks | None, text: str, flaws: int) -> None:
    assert len(list(parts.question_flaws(text, asks, WORDS))) == flaws
