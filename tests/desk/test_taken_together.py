"""Replies that one transaction takes in come to the same as one after the other, each in a transaction of its own."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

import pytest

from reminders.desk.take_reply import Incoming, take_replies
from tests.desk.conftest import Opener
from tests.desk.office import PHONE, Office
from tests.desk.test_duty import PEOPLE, SHIFTS

TEXTS = (
    "STOP",
    "START",
    "HELP",
    "ok thanks",
    "ok thanks",
    "wrong number",
    "I can't breathe",
    "there is pus coming out and it smells",
    "it is red",
    "and hot up to my ankle",
    "can I take a shower?",
    "blrgh flrp",
    "7",
)
SENDERS = (PHONE, PHONE, "+17735550122", "+17735550123", "+12025550199", "12345")
"""Of Robin, of two who share a number, of one more, of nobody, and a short code."""
COMPARED = ("reply", "concern", "concern_event", "message", "contact", "consent_event")


def conversation(seed: int) -> list[Incoming]:
    """What arrives: everybody writes anything, and every fifth reply is brought once more."""
    chance = random.Random(seed)
    said = [
        Incoming(channel="sms", sender=chance.choice(SENDERS), text=chance.choice(TEXTS), gateway_ref=f"m{number}")
        for number in range(60)
    ]
    return [each for number, one in enumerate(said) for each in ([one, one] if number % 5 == 0 else [one])]


def practice(office_at: Opener) -> Office:
    """A practice with a duty list and some patients, each told something lately."""
    office = office_at(duty={"people": PEOPLE, "shifts": SHIFTS})
    office.enroll()
    for name in ("Kim", "Sam"):
        office.enroll(first_name=name, phone="773-555-0122")
    office.enroll(first_name="Alex", phone="773-555-0123")
    office.play("2026-06-12T20:30")
    return office


def take(office: Office, parts: Sequence[Sequence[Incoming]]) -> list[Any]:
    taken = []
    for part in parts:
        with office.database.writing() as session:
            taken += take_replies(session, office.desk, part)
    return taken


def rows(office: Office) -> dict[str, list[tuple[Any, ...]]]:
    """What is in the database."""
    return {name: found for name, found in office.dump().items() if name in COMPARED}


@pytest.mark.parametrize("seed", range(2))
def test_replies_taken_together_come_to_the_same_as_one_after_the_other(office_at: Opener, seed: int) -> None:
    written = conversation(seed)
    apart, together = practice(office_at), practice(office_at)
    by_one = take(apart, [[each] for each in written])
    at_once = take(together, [written[:25], written[25:]])
    assert [(each.reply_id, each.label, each.signs, each.is_new) for each in at_once] == [
        (each.reply_id, each.label, each.signs, each.is_new) for each in by_one
    ]
    assert [each.answered_with for each in at_once] == [each.answered_with for each in by_one]
    for name, found in rows(together).items():
        assert sorted(map(repr, found)) == sorted(map(repr, rows(apart)[name])), name
