"""A check-in that nobody answers: asked again once, then noted, and a concern where silence may be a sign."""

from __future__ import annotations

import pytest
from sqlalchemy import update
from sqlmodel import col

from reminders.desk.concerns import CallBack, close_concern
from reminders.desk.silence import SilenceReport, attend_to_failures, attend_to_silence
from reminders.records.tables import Message, Reply
from tests.databases import database_kind
from tests.desk.office import Office, at, minutes, wall

__all__ = ["database_kind"]

MIDDAY = "2026-06-11T12:30"  # the lead plan's yes-or-no question of the first day, useful for 6 hours


def look(office: Office) -> SilenceReport:
    return attend_to_silence(office.database, office.desk)


def live(office: Office, until: str, *, every: int = 15) -> SilenceReport:
    """Let time pass, with messages sent at their moment and a look at silence `every` so many minutes."""
    total = [0, 0, 0]
    while office.clock.now() < at(until):
        report = look(office)
        total = [a + b for a, b in zip(total, (report.asked_again, report.silent, report.concerns), strict=True)]
        office.play(wall(min(office.clock.now() + minutes(every), at(until))).replace(" ", "T"))
    return SilenceReport(asked_again=total[0], silent=total[1], concerns=total[2])


def repeats(office: Office) -> list[tuple[str, str]]:
    return [(m.key, wall(m.send_at)) for m in office.messages() if m.repeats_id is not None]


def quiet_until_midday(office: Office, **facts: object) -> None:
    """Enroll, and answer what is asked before the midday question of the first day."""
    office.enroll(**facts)
    office.play("2026-06-11T12:00")
    office.reply("yes")
    office.play(MIDDAY)


def test_a_question_is_asked_again_once_and_alone(office: Office) -> None:
    quiet_until_midday(office)
    live(office, "2026-06-11T18:00")
    assert repeats(office) == [("checkin_yesno_again", "2026-06-11 15:30")]
    first, again = (office.message(1, key) for key in ("checkin_yesno", "checkin_yesno_again"))
    assert (again.state, again.asks, again.useful_until) == ("sent", "yes_no", first.useful_until)


def test_who_answered_is_not_asked_again(office: Office) -> None:
    quiet_until_midday(office)
    office.clock.advance(minutes(20))
    office.reply("yes")
    assert live(office, "2026-06-12T06:00") == SilenceReport()


def test_an_answer_to_the_second_question_ends_the_silence(office: Office) -> None:
    quiet_until_midday(office, factors=("diabetes",))
    live(office, "2026-06-11T16:00")
    office.reply("yes")
    assert live(office, "2026-06-12T06:00").silent == 0
    assert office.concerns() == []


def test_an_evening_question_is_asked_again_before_quiet_hours_without_what_was_joined_to_it(office: Office) -> None:
    office.enroll()
    office.play("2026-06-13T18:59")
    office.reply("yes")
    office.play("2026-06-13T19:00")
    assert office.message(1, "checkin_pain").joined_into == "soak:5"
    live(office, "2026-06-14T07:00")
    assert repeats(office)[-1] == ("checkin_pain_again", "2026-06-13 20:45")
    again = office.message(1, "checkin_pain_again")
    assert again.text != office.message(1, "soak", 5).text
    assert "oak" not in again.text


def test_no_second_question_breaks_the_daily_limit(office_at: object) -> None:
    office: Office = office_at(contact={"daily_limit": 4})  # type: ignore[operator]
    quiet_until_midday(office)
    today = [m for m in office.messages(1) if m.state in {"sent", "scheduled"} and wall(m.send_at)[:10] == "2026-06-11"]
    assert len(today) == 4
    live(office, "2026-06-11T18:00")
    assert repeats(office) == []


def test_silence_of_a_patient_at_risk_is_a_routine_concern_and_that_of_others_is_noted(office: Office) -> None:
    quiet_until_midday(office, factors=("diabetes",))
    assert live(office, "2026-06-12T01:00") == SilenceReport(asked_again=1, silent=1, concerns=1)
    (concern,) = office.concerns()
    assert (concern.kind, concern.urgency, concern.summary) == (
        "silence",
        "routine",
        "No answer to the check-in of Thu 12:30, asked twice; diabetes. Telephone.",
    )
    assert wall(concern.due_at) == "2026-06-12 17:30"


def test_silence_of_a_patient_without_risk_is_only_noted(office: Office) -> None:
    quiet_until_midday(office)
    assert live(office, "2026-06-12T01:00") == SilenceReport(asked_again=1, silent=1, concerns=0)
    assert office.concerns() == []
    assert office.message(1, "checkin_yesno").unanswered_at is not None


@pytest.mark.parametrize("factor", ["poor_circulation", "neuropathy", "immunosuppressed", "warfarin"])
def test_every_factor_that_hides_a_sign_makes_silence_a_concern(office: Office, factor: str) -> None:
    quiet_until_midday(office, factors=(factor,))
    office.clock.move_to(at("2026-06-12T01:00"))
    assert look(office).concerns == 1


def test_a_second_look_does_nothing(office: Office) -> None:
    quiet_until_midday(office, factors=("diabetes",))
    for later in ("2026-06-11T15:30", "2026-06-12T01:00"):
        office.play(later)
        look(office)
        before = office.dump()
        assert look(office) == SilenceReport()
        assert office.dump() == before


def test_one_long_silence_is_one_concern_until_somebody_closed_it(office: Office) -> None:
    quiet_until_midday(office, factors=("diabetes",))
    live(office, "2026-06-13T02:00", every=90)
    (concern,) = office.concerns()
    with office.database.writing() as session:
        close_concern(session, office.desk, concern.id or 0, CallBack(outcome="reached"), by="Ada")
    live(office, "2026-06-14T10:00", every=90)
    assert [each.state for each in office.concerns()].count("open") == 1


def test_an_automatic_answer_is_no_answer(office: Office) -> None:
    quiet_until_midday(office)
    office.clock.advance(minutes(5))
    office.reply("I am out of the office")
    with office.database.writing() as session:
        session.execute(update(Reply).values(written_by="machine"))
    assert live(office, "2026-06-11T16:00").asked_again == 1


def test_who_stopped_messages_is_neither_asked_nor_a_concern(office: Office) -> None:
    quiet_until_midday(office, factors=("diabetes",))
    office.reply("STOP")
    with office.database.writing() as session:
        session.execute(update(Reply).values(received_at=at("2026-06-11T12:00")))
    assert live(office, "2026-06-12T02:00") == SilenceReport()


def test_a_question_that_waits_to_be_asked_again_survives_new_facts(office: Office) -> None:
    quiet_until_midday(office)
    office.clock.move_to(at("2026-06-11T15:30"))
    look(office)
    office.replan(1, visit=at("2026-06-24T10:00"))
    assert office.message(1, "checkin_yesno_again").state == "scheduled"


def test_a_pain_score_is_read_as_one_after_the_second_question(office: Office) -> None:
    office.enroll()
    office.play("2026-06-13T18:59")
    office.reply("yes")
    live(office, "2026-06-13T20:50")
    assert office.reply("2").label == "none"
    assert office.reply("9").label in {"urgent", "emergency"}


def fail(office: Office, *messages: tuple[str, int]) -> None:
    with office.database.writing() as session:
        for key, occurrence in messages:
            session.execute(
                update(Message)
                .where(col(Message.key) == key, col(Message.occurrence) == occurrence)
                .values(state="failed", settled_at=office.clock.now(), handed_at=office.clock.now())
            )


def test_a_course_whose_messages_all_fail_is_a_concern_once(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T07:00")
    fail(office, ("soak", 1))
    assert attend_to_failures(office.database, office.desk) == 0  # one that failed may be chance
    office.clock.advance(minutes(60))
    fail(office, ("soak", 2))
    assert attend_to_failures(office.database, office.desk) == 1
    assert attend_to_failures(office.database, office.desk) == 0
    (concern,) = [each for each in office.concerns() if each.about == "enrollment 1: nothing arrives"]
    assert concern.summary == "Nothing arrives: 2 messages failed one after the other. Telephone."
    office.clock.advance(minutes(60))
    fail(office, ("checkin_yesno", 1))  # whoever closes it now knows of this one as well
    with office.database.writing() as session:
        close_concern(session, office.desk, concern.id or 0, CallBack(outcome="reached"), by="Ada")
    assert attend_to_failures(office.database, office.desk) == 0
    office.clock.advance(minutes(60))
    fail(office, ("soak", 3))
    assert attend_to_failures(office.database, office.desk) == 1


def test_a_course_of_which_something_arrived_since_is_none(office: Office) -> None:
    office.enroll()
    office.play("2026-06-10T20:00")
    fail(office, ("soak", 1), ("soak", 2))
    office.play("2026-06-12T10:00")
    assert attend_to_failures(office.database, office.desk) == 0
