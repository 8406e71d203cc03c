"""A course that staff pause, resume, end or extend, mostly because of a concern."""

from __future__ import annotations

from typing import Any

import pytest

from reminders.desk import steer_course as steer
from reminders.desk.changed_facts import Changes, changed_course
from reminders.desk.replan import propose
from reminders.errors import InputError, StateError
from tests.databases import database_kind
from tests.desk.office import PHONE, Office, at, wall

__all__ = ["database_kind"]

WHY = steer.Decision(by="N. Nurse", reason="in hospital")


def do(office: Office, step: Any, *given: Any, enrollment: int = 1, **decision: Any) -> Any:
    why = steer.Decision(**({"by": WHY.by, "reason": WHY.reason} | decision))
    with office.database.writing() as session:
        return step(session, office.desk, enrollment, *given, why)


def sent_to(office: Office, start: str, end: str) -> list[str]:
    """When the patient got something within a time."""
    moments = [wall(at(each["at"])) for each in office.handed_over if each["to"] == PHONE]
    return [each for each in moments if start.replace("T", " ") <= each < end.replace("T", " ")]


def test_a_paused_course_sends_nothing_and_a_resumed_one_goes_on(office: Office) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    do(office, steer.pause_course)
    office.play("2026-06-14T10:00")
    assert sent_to(office, "2026-06-12T10:00", "2026-06-14T10:00") == []
    do(office, steer.resume_course)
    office.play("2026-06-16T10:00")
    assert sent_to(office, "2026-06-14T10:00", "2026-06-16T10:00")
    keys = [(m.key, m.occurrence) for m in office.messages(1) if m.state == "sent"]
    assert len(keys) == len(set(keys))


def test_what_was_missed_and_misleads_now_stays_unsaid(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T10:00")
    do(office, steer.pause_course)
    office.play("2026-06-13T10:00")
    assert office.message(1, "dressing_off").state == "withheld"
    do(office, steer.resume_course)
    office.play("2026-06-13T20:00")
    assert office.message(1, "dressing_off").state != "sent"


def test_the_difference_of_resuming_is_shown_first_and_stores_nothing(office: Office) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    do(office, steer.pause_course)
    office.play("2026-06-12T12:00")
    before = office.dump()
    with office.database.reading() as session:
        shown = steer.propose_resuming(session, office.desk, 1)
    assert office.dump() == before
    assert do(office, steer.resume_course).changes == shown.changes


def test_who_writes_while_the_course_is_paused_is_read_and_answered(office: Office) -> None:
    office.enroll(factors=("diabetes",))
    office.play("2026-06-12T10:00")
    do(office, steer.pause_course)
    taken = office.reply("there is pus and it smells")
    assert taken.answered_with == "answer_urgent"
    assert office.answers()
    assert office.concerns()[0].enrollment_id == 1


def test_an_ended_course_sends_nothing_more(office: Office) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    with office.database.reading() as session:
        shown = steer.not_sent_meanwhile(session, 1)
    assert do(office, steer.end_course, reason="healed") == len(shown) > 0
    office.play("2026-06-30T10:00")
    assert sent_to(office, "2026-06-12T10:00", "2026-06-30T10:00") == []
    assert {m.detail for m in office.messages(1) if m.state == "cancelled"} == {
        "the course was ended by N. Nurse: healed"
    }


def test_soaks_go_on_after_an_infection(office: Office) -> None:
    office.enroll()
    office.play("2026-06-12T10:00")
    office.reply("there is pus and it smells")
    soaks = len(office.moments(1, "soak", "scheduled", "joined"))
    with office.database.reading() as session:
        course = steer.extended_course(session, office.desk, 1, 3)
    do(office, steer.extend_course, course, reason="infection", concern_id=1)
    assert course.settings["stop_day"] == 8
    assert len(office.moments(1, "soak", "scheduled", "joined")) == soaks + 6  # two a day
    assert office.history(1)[-1].note == "course 1 goes on until day 8: infection"


def test_a_dressing_that_came_off_early_and_was_put_on_anew_shifts_what_follows(office: Office) -> None:
    office.enroll()
    office.play("2026-06-10T20:00")
    office.reply("the bandage came off already, what now?")
    before = office.moments(1, "dressing_off")
    with office.database.reading() as session:
        course = changed_course(session, office.desk, 1, Changes(dressing_applied="2026-06-10T20:00"))
        shown = propose(session, office.desk, 1, course)
    assert {each.key for each in shown.changes} >= {"dressing_off"}
    do(office, steer.shift_course, shown, reason="came off", concern_id=1)
    assert office.moments(1, "dressing_off") > before
    note = office.history(1)[-1]
    assert (note.by, note.note) == (
        "N. Nurse",
        f"course 1 planned anew, {len(shown.changes)} messages change: came off",
    )


def test_more_days_than_the_plan_allows_are_refused(office: Office) -> None:
    office.enroll()
    with office.database.reading() as session, pytest.raises(InputError, match="stop_day"):
        steer.extended_course(session, office.desk, 1, 400)


def test_a_decision_is_noted_on_the_concern_that_led_to_it(office: Office) -> None:
    office.enroll()
    office.answers()
    office.reply("there is pus and it smells")
    do(office, steer.pause_course, concern_id=1)
    do(office, steer.resume_course, reason="", concern_id=1)
    assert [(e.by, e.note) for e in office.history(1)[-2:]] == [
        ("N. Nurse", "course 1 paused: in hospital"),
        ("N. Nurse", "course 1 resumed"),
    ]


def test_a_concern_about_somebody_else_takes_back_the_whole_decision(office: Office) -> None:
    office.enroll()
    office.enroll(first_name="Alex", phone="312-555-0124")
    office.reply("there is pus and it smells", sender="+13125550124")
    with pytest.raises(InputError, match="somebody else"):
        do(office, steer.pause_course, concern_id=1)
    do(office, steer.pause_course)


@pytest.mark.parametrize(
    ("before", "step", "fault"),
    [
        pytest.param([steer.pause_course], steer.pause_course, "paused already", id="twice"),
        pytest.param([], steer.resume_course, "not paused", id="not-paused"),
        pytest.param([steer.end_course], steer.pause_course, "is ended", id="over"),
    ],
)
def test_what_makes_no_sense_is_refused(office: Office, before: list[Any], step: Any, fault: str) -> None:
    office.enroll()
    for each in before:
        do(office, each)
    with pytest.raises(StateError, match=fault):
        do(office, step)
