"""A concern that nobody takes: who is told when, until somebody takes it."""

from __future__ import annotations

import pytest

from reminders.desk.concerns import (
    CallBack,
    close_concern,
    give_back,
    hand_over,
    note_on_concern,
    reopen_concern,
    take_concern,
)
from reminders.desk.escalate import escalate, escalate_all, next_escalation_at
from reminders.errors import InputError, StateError
from reminders.records.concerns import concerns_to_notify
from tests.databases import database_kind
from tests.desk.conftest import Opener
from tests.desk.office import PHONE, Office, at, minutes, wall
from tests.desk.test_duty import PEOPLE, SHIFTS

__all__ = ["database_kind"]

NURSE, DOCTOR = "+13125550141", "+13125550142"
TIGHT = "I can't breathe and my chest is tight"
SMELLS = "the toe smells and there is pus, the redness is spreading"


@pytest.fixture
def office(office_at: Opener) -> Office:
    """The practice with a duty list and one patient, on a Wednesday at 10:30."""
    office = office_at(duty={"people": PEOPLE, "shifts": SHIFTS, "link": "https://desk.example.org/"})
    office.enroll()
    office.answers()
    return office


def watch(office: Office, until: str) -> list[tuple[str, str, str]]:
    """Let the jobs run until a wall time in Chicago; returns when whom of the practice they wrote to, and the key."""
    before = len(office.handed_over)
    end = at(until)
    while True:
        escalate_all(office.database, office.desk)
        office.dispatcher.run_once()
        moments = (next_escalation_at(office.database, office.desk), office.dispatcher.next_at())
        later = [each for each in moments if each is not None and office.clock.now() < each <= end]
        if not later:
            office.clock.move_to(end)
            return [
                (wall_of(each["at"]), each["channel"], each["to"])
                for each in office.handed_over[before:]
                if each["to"] != PHONE
            ]
        office.clock.move_to(min(later))


def wall_of(text: str) -> str:
    return text[11:16]


def steps(office: Office, concern_id: int = 1) -> list[str]:
    return [f"{wall(each.at)[11:]} {each.action}" for each in office.history(concern_id)]


def take(office: Office, who: str = "D. Doctor", concern_id: int = 1) -> None:
    with office.database.writing() as session:
        take_concern(session, office.desk, concern_id, by=who)


def test_an_emergency_at_three_at_night_wakes_one_after_the_other_until_it_is_taken(office: Office) -> None:
    office.play("2026-06-11T03:00")
    given = office.reply(TIGHT)
    assert given.answered_with == "answer_emergency"
    watch(office, "2026-06-11T03:12")
    assert steps(office) == ["03:00 opened", "03:00 escalated", "03:05 escalated", "03:10 escalated"]
    assert [each.note.split(";")[0] for each in office.history(1) if each.action == "escalated"] == [
        "step 1: D. Doctor by sms",
        "step 2: P. Partner by email",
        "step 3: D. Doctor by sms",
    ]
    take(office)
    assert watch(office, "2026-06-11T06:00") == []


def test_the_patient_and_the_first_person_are_told_in_the_same_minute(office: Office) -> None:
    office.play("2026-06-11T03:00")
    office.reply(TIGHT)
    before = len(office.handed_over)
    office.dispatcher.run_once()
    assert {each["to"] for each in office.handed_over[before:]} == {PHONE, DOCTOR}


def test_what_staff_are_sent_holds_nothing_about_the_patient(office: Office) -> None:
    office.reply(TIGHT)
    office.dispatcher.run_once()
    (short,) = [each["text"] for each in office.handed_over if each["to"] == NURSE]
    assert short == (
        "Example Foot Care: EMERGENCY concern 1 of Wed 10:30. Nobody took it yet. https://desk.example.org/concerns/1"
    )
    everything = " ".join(each["text"] for each in office.handed_over if each["to"] in {NURSE, "nurse@example.org"})
    for secret in ("Robin", "Invented", PHONE, "312-555-0123", "breathe", "chest", "toe"):
        assert secret not in everything


def test_a_notice_is_one_segment(office: Office) -> None:
    office.reply(TIGHT)
    assert [m.segments for m in office.messages() if m.kind == "staff" and m.channel == "sms"] == [1]


def test_run_twice_tells_once(office: Office) -> None:
    office.reply(SMELLS)
    office.clock.advance(minutes(31))
    assert [each.person.name for each in escalate_all(office.database, office.desk)] == ["N. Nurse"]
    assert escalate_all(office.database, office.desk) == ()


def test_a_crash_within_a_step_leaves_neither_the_step_nor_its_message(office: Office) -> None:
    office.reply(SMELLS)
    office.clock.advance(minutes(31))
    before = office.dump()

    def step_and_die() -> None:
        with office.database.writing() as session:
            for each in concerns_to_notify(session, office.desk.practice_id, office.clock.now()):
                assert escalate(session, office.desk, each) is not None
            raise RuntimeError("crash")

    with pytest.raises(RuntimeError, match="crash"):
        step_and_die()
    assert office.dump() == before
    assert len(escalate_all(office.database, office.desk)) == 1


def test_an_urgent_reply_of_the_night_wakes_nobody(office: Office) -> None:
    office.play("2026-06-11T03:00")
    office.reply(SMELLS)
    watch(office, "2026-06-11T08:59")
    assert steps(office) == ["03:00 opened"]
    watch(office, "2026-06-11T09:20")
    assert steps(office) == ["03:00 opened", "09:00 escalated", "09:15 escalated"]


def test_what_rises_to_an_emergency_is_told_at_once_although_somebody_had_it(office: Office) -> None:
    office.reply(SMELLS)
    take(office, "N. Nurse")
    office.clock.advance(minutes(7))
    office.reply(TIGHT)
    assert steps(office)[-2:] == ["10:37 raised", "10:37 escalated"]
    assert office.concerns()[0].state == "open"


def test_an_emergency_again_tells_who_has_it_and_no_more_often_than_the_next_would_be(office: Office) -> None:
    office.reply(TIGHT)
    take(office, "N. Nurse")
    watch(office, "2026-06-10T10:40")
    office.reply(TIGHT)
    office.reply("now I fainted")
    assert watch(office, "2026-06-10T10:44") == [("15:40", "sms", NURSE), ("15:40", "email", "nurse@example.org")]
    office.clock.advance(minutes(6))
    office.reply("I can't breathe")
    assert len(watch(office, "2026-06-10T11:00")) == 2
    assert (office.concerns()[0].state, office.concerns()[0].taken_by) == ("taken", "N. Nurse")


def test_an_emergency_again_at_night_wakes_who_is_on_duty_when_the_one_who_has_it_went_home(office: Office) -> None:
    office.reply(TIGHT)
    take(office, "N. Nurse")
    office.play("2026-06-11T03:00")
    office.reply("I can't breathe again")
    watch(office, "2026-06-11T03:06")
    assert steps(office)[-4:] == ["03:00 reply", "03:00 reopened", "03:00 escalated", "03:05 escalated"]
    assert office.concerns()[0].state == "open"


def test_an_urgent_reply_is_everybody_s_again_when_the_one_who_has_the_concern_went_home(office: Office) -> None:
    office.reply(SMELLS)
    take(office, "N. Nurse")
    office.reply("more pus now")
    assert office.concerns()[0].state == "taken"
    office.play("2026-06-10T22:00")
    office.reply("now I have a fever of 39")
    assert office.concerns()[0].state == "open"
    watch(office, "2026-06-11T09:01")
    assert steps(office)[-3:] == ["22:00 reply", "22:00 reopened", "09:00 escalated"]


def test_a_concern_that_becomes_urgent_just_before_closing_is_told_before_the_call_is_due(office: Office) -> None:
    office.play("2026-06-10T17:10")
    office.reply("can i shower?")
    assert office.reply(SMELLS).answered_with == "answer_urgent"
    assert "today by 5:30 PM" in " ".join(office.answers())
    watch(office, "2026-06-10T17:30")
    assert steps(office)[-1] == "17:20 escalated"


def test_who_can_not_be_reached_is_passed_over_at_once(office_at: Opener) -> None:
    practice = {"name": "Example Foot Care", "zone": "America/Chicago", "phone": "312-555-0100"}
    shifts = [{"days": ["wednesday"], "people": ["partner", "doctor"]}, {"days": ["thursday"], "people": ["partner"]}]
    office = office_at(practice=practice, duty={"people": PEOPLE, "shifts": shifts})
    office.enroll()
    office.answers()
    office.reply(TIGHT)
    assert [m.address for m in office.messages() if m.kind == "staff"] == [DOCTOR]
    take(office)
    office.play("2026-06-11T11:00")
    office.reply(TIGHT)
    assert [m.address for m in office.messages() if m.kind == "staff"][1:] == [NURSE]


def test_without_a_duty_list_who_took_an_emergency_keeps_it(office_at: Opener) -> None:
    office = office_at()
    office.enroll()
    office.reply(TIGHT)
    take(office, "Ada")
    office.reply(TIGHT)
    assert (office.concerns()[0].state, office.concerns()[0].taken_by) == ("taken", "Ada")


def test_what_the_holder_is_told_again_holds_nothing_about_the_patient(office: Office) -> None:
    office.reply(TIGHT)
    take(office, "N. Nurse")
    office.clock.advance(minutes(6))
    office.reply(TIGHT)
    office.dispatcher.run_once()
    short = [each["text"] for each in office.handed_over if each["to"] == NURSE][-1]
    assert short == (
        "Example Foot Care: EMERGENCY concern 1, which you have: the patient wrote again. "
        "https://desk.example.org/concerns/1"
    )


def test_a_stranger_who_writes_again_and_again_is_one_concern(office: Office) -> None:
    for _ in range(5):
        office.reply(TIGHT, sender="+13125550199")
    assert len(office.concerns()) == 1
    assert steps(office).count("10:30 escalated") == 1


def test_without_a_duty_list_nobody_is_told_and_nothing_breaks(office_at: Opener) -> None:
    office = office_at()
    office.enroll()
    office.reply(TIGHT)
    assert escalate_all(office.database, office.desk) == ()
    assert next_escalation_at(office.database, office.desk) is None
    assert [m for m in office.messages() if m.kind == "staff"] == []


def test_what_is_handed_over_is_told_to_who_has_it_now_and_not_to_the_next(office: Office) -> None:
    office.reply(TIGHT)
    office.dispatcher.run_once()
    with office.database.writing() as session:
        hand_over(session, office.desk, 1, to="D. Doctor", by="N. Nurse")
    assert [(channel, to) for _, channel, to in watch(office, "2026-06-10T12:00")] == [("sms", DOCTOR)]
    assert office.texts[-1] == (
        "Example Foot Care: N. Nurse handed EMERGENCY concern 1 over to you. https://desk.example.org/concerns/1"
    )
    assert [(e.action, e.by, e.note) for e in office.history(1)][-1] == (
        "handed_over",
        "N. Nurse",
        "passed to D. Doctor, told by sms",
    )
    assert office.concerns()[0].taken_by == "D. Doctor"


def test_what_is_routine_is_handed_over_by_mail_alone(office: Office) -> None:
    office.reply("can i shower?")
    for to in ("N. Nurse", "D. Doctor", "Somebody Else"):
        with office.database.writing() as session:
            hand_over(session, office.desk, 1, to=to, by=office.concerns()[0].taken_by or "P. Partner")
    assert [each[1:] for each in watch(office, "2026-06-10T12:00")] == [("email", "nurse@example.org")]


def test_only_who_has_a_concern_hands_it_over_or_gives_it_back(office: Office) -> None:
    office.reply(SMELLS)
    take(office, "N. Nurse")
    with office.database.writing() as session, pytest.raises(StateError, match=r"taken by N\. Nurse"):
        hand_over(session, office.desk, 1, to="P. Partner", by="D. Doctor")
    with office.database.writing() as session, pytest.raises(StateError, match="not taken by D"):
        give_back(session, office.desk, 1, by="D. Doctor")


def test_what_is_given_back_is_told_to_whoever_comes_after_the_one_who_had_it(office: Office) -> None:
    office.reply(SMELLS)
    take(office, "N. Nurse")
    with office.database.writing() as session:
        give_back(session, office.desk, 1, by="N. Nurse", note="called away")
    (step,) = escalate_all(office.database, office.desk)
    assert step.person.name == "D. Doctor"


def test_what_is_routine_and_given_back_wakes_nobody_before_it_is_due(office: Office) -> None:
    office.reply("can i shower?")
    take(office, "N. Nurse")
    office.play("2026-06-10T22:00")
    with office.database.writing() as session:
        give_back(session, office.desk, 1, by="N. Nurse")
    watch(office, "2026-06-11T17:29")
    assert "escalated" not in " ".join(steps(office))
    watch(office, "2026-06-11T17:31")
    assert steps(office)[-1] == "17:30 escalated"


def test_a_closed_concern_is_opened_again_and_due_anew(office: Office) -> None:
    office.reply(SMELLS)
    with office.database.writing() as session:
        close_concern(session, office.desk, 1, CallBack(outcome="reached"), by="N. Nurse")
    office.clock.advance(minutes(120))
    with office.database.writing() as session, pytest.raises(InputError, match="empty"):
        reopen_concern(session, office.desk, 1, by="N. Nurse", note=" ")
    with office.database.writing() as session:
        concern = reopen_concern(session, office.desk, 1, by="N. Nurse", note="called again")
    assert (concern.state, concern.outcome, concern.taken_by, wall(concern.due_at)) == (
        "open",
        None,
        None,
        "2026-06-10 16:30",
    )
    with office.database.writing() as session, pytest.raises(StateError, match="not closed"):
        reopen_concern(session, office.desk, 1, by="N. Nurse", note="again")
    watch(office, "2026-06-10T13:05")
    assert steps(office)[-2:] == ["12:30 reopened", "13:00 escalated"]


def test_the_history_names_everybody_who_did_something(office: Office) -> None:
    office.reply(SMELLS)
    take(office, "N. Nurse")
    with office.database.writing() as session:
        note_on_concern(session, office.desk, 1, by="N. Nurse", note="no answer")
        hand_over(session, office.desk, 1, to="D. Doctor", by="N. Nurse")
        close_concern(session, office.desk, 1, CallBack(outcome="left_voicemail"), by="D. Doctor")
    assert [(each.action, each.by) for each in office.history(1)] == [
        ("opened", "triage"),
        ("taken", "N. Nurse"),
        ("note", "N. Nurse"),
        ("handed_over", "N. Nurse"),
        ("closed", "D. Doctor"),
    ]
