"""A reply is never less urgent than the plan told the patient."""

from __future__ import annotations

import pytest

from reminders.records import replies
from tests.desk.office import Office

# Windows: a lost blood supply shows within 48 h (AHRQ PSNet, August 2020; Lamont T et al. BMJ 2010;340:c1981);
# fever with spreading redness goes straight to the emergency department (NHS, Cellulitis).
REPLIES = [
    ("2026-06-11T10:00", "my toe is turning black", "emergency"),
    ("2026-06-12T10:00", "the toe is cold and white", "emergency"),
    ("2026-06-15T10:00", "the toe is cold and white", "urgent"),
    ("2026-06-15T10:00", "fever of 101.5 and the redness is spreading", "emergency"),
    ("2026-06-15T10:00", "fever of 101.5", "urgent"),
    ("2026-06-11T10:00", "thanks, all good", "none"),
]


@pytest.mark.parametrize(("at", "text", "label"), REPLIES)
def test_the_plan_decides_how_urgent_its_signs_are(office: Office, at: str, text: str, label: str) -> None:
    office.enroll()
    office.play(at)
    assert office.reply(text).label == label


def test_what_the_plan_calls_an_emergency_is_answered_as_one(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T10:00")
    taken = office.reply("my toe is turning black")
    assert taken.answered_with == "answer_emergency"
    (concern,) = office.concerns()
    assert concern.urgency == "emergency"


def test_the_reason_names_the_plans_own_words(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T10:00")
    taken = office.reply("my toe is turning black")
    with office.database.reading() as session:
        reply = replies.replies_by_id(session, [taken.reply_id])[taken.reply_id]
    assert "the plan says: A toe or finger that is white, blue, gray or black, or cold" in [
        each["note"] for each in reply.why
    ]
