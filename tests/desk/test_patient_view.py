"""What a patient's page shows of a course, whatever became of its messages."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import update

from reminders.care.plan import Picture
from reminders.care.values import Slot
from reminders.desk.patient_page import page_of_course
from reminders.desk.patient_view import PageStep, PatientView, Told, view_of
from reminders.desk.send_again import send_again
from reminders.records.tables import MESSAGES
from tests.desk.conftest import Opener
from tests.desk.office import Office, minutes
from tests.desk.test_ask_for_call import RULES


def view(office: Office, enrollment_id: int = 1) -> PatientView:
    """The page of a course now."""
    with office.database.reading() as session:
        return view_of(session, office.desk, page_of_course(session, office.desk, RULES, enrollment_id))


def become(office: Office, key: str, **columns: object) -> None:
    """Let the messages of an instruction be in another state."""
    with office.database.writing() as session:
        session.execute(update(MESSAGES).where(MESSAGES.c.key == key).values(**columns))


def step(steps: tuple[PageStep, ...], words: str) -> PageStep:
    """The one step that says so."""
    (found,) = [each for each in steps if words in each.text]
    return found


def test_every_step_is_either_before_or_after_now_and_in_order(office: Office) -> None:
    office.enroll()
    office.play("2026-06-12T13:00")
    shown = view(office)
    now = office.clock.now()
    assert [each.at for each in shown.so_far] == sorted((each.at for each in shown.so_far), reverse=True)
    assert [each.at for each in shown.to_come] == sorted(each.at for each in shown.to_come)
    assert max(each.at for each in shown.so_far) <= now < min(each.at for each in shown.to_come)
    planned = {message.id for message in office.messages(1) if message.state != "withheld"}
    assert len(shown.so_far) + len(shown.to_come) == len(planned)


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        ({"state": "sent"}, Told.SENT),
        ({"state": "delivered"}, Told.SENT),
        ({"state": "uncertain"}, Told.SENT),
        ({"state": "failed"}, Told.NOT_SENT),
        ({"state": "withheld"}, Told.NOT_SENT),
        ({"state": "cancelled"}, None),
        ({"state": "withheld", "settled_at": None}, None),
    ],
    ids=["sent", "delivered", "in doubt", "refused", "held at its moment", "taken back", "left out by the plan"],
)
def test_a_step_says_how_the_patient_heard_of_it(office: Office, columns: dict[str, object], told: Told | None) -> None:
    office.enroll()
    office.play("2026-06-11T11:00")
    become(office, "dressing_off", **columns)
    found = [each.told for each in view(office).so_far if "first dressing off" in each.text]
    assert found == ([told] if told else [])


def test_what_was_joined_into_a_message_is_a_step_of_its_own(office_at: Opener) -> None:
    office = office_at()
    office.enroll(factors=("diabetes",))
    joined = [message for message in office.messages(1) if message.state == "joined"]
    assert joined
    assert step(view(office).to_come, "Clear or pale yellow fluid").told is Told.TO_COME


def test_a_twin_shows_its_steps_although_the_other_course_says_them(office: Office) -> None:
    """Two toes treated alike are spoken of once; whoever opens the second page must not find it empty."""
    office.enroll(site="left big toe")
    second = office.enroll(site="right big toe", again=True).enrollment_id
    office.play("2026-06-11T11:00")
    one, other = view(office), view(office, second)
    assert other.current is not None
    assert other.current == one.current
    assert sorted(each.text for each in other.to_come) == sorted(each.text for each in one.to_come)
    assert other.signs == one.signs


def test_what_was_said_at_the_desk_stands_there_as_said(office_at: Opener) -> None:
    """After a procedure at 20:50 no message reaches the patient before the block wears off."""
    office = office_at("2026-06-10T20:50")
    office.enroll()
    office.play("2026-06-10T21:00")
    assert Told.AT_DESK in {each.told for each in view(office).so_far}


def test_a_message_that_went_out_again_is_one_step(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T11:00")
    with office.database.writing() as session:
        send_again(session, office.desk, 1, office.message(1, "dressing_off").id or 0, by="Nora Nurse")
    office.dispatcher.run_once()
    assert step(view(office).so_far, "first dressing off").told is Told.SENT


def test_now_is_what_was_told_last_and_is_of_use_still(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T11:45")  # the question of 11:30 does not hide it
    shown = view(office)
    assert shown.current is not None
    assert "first dressing off" in shown.current.text
    assert shown.current.pictures == (
        Picture.DRESSING_OFF, Picture.SOAK, Picture.PAT_DRY, Picture.OINTMENT, Picture.DRESSING
    )  # fmt: skip
    assert "<ol>" in shown.current_html
    office.play("2026-06-12T07:30")
    later = view(office)
    assert later.current is None
    assert later.before is not None
    assert "Soak" in later.before.text
    assert later.after is not None
    assert later.after.at > office.clock.now()


def test_a_dose_whose_time_is_over_is_not_even_the_last_step(office: Office) -> None:
    office.enroll()
    office.play("2026-06-10T18:45")
    shown = view(office)
    assert "ibuprofen" in shown.so_far[0].text
    assert shown.current is None
    assert shown.before is None


def test_times_of_day_are_those_that_the_plan_goes_by(office: Office) -> None:
    office.enroll()
    assert view(office).slots == (Slot.MORNING, Slot.MIDDAY, Slot.EVENING)


def test_the_number_to_be_called_is_named_by_its_end(office: Office) -> None:
    office.enroll()
    assert view(office).phone_ends == "23"
    office.enroll(first_name="Kim", phone="", email="kim@example.org", channel="email")
    assert view(office, 2).phone_ends == ""


def test_texts_follow_the_language_that_the_course_has_now(office: Office) -> None:
    office.enroll()
    office.play("2026-06-11T11:00")
    office.replan(1, language="es")
    shown = view(office)
    assert shown.language == "es"
    assert any("vendaje" in each.text for each in shown.so_far)


def test_a_link_that_ends_late_follows_a_visit_that_moves(office: Office) -> None:
    office.enroll(visit="2026-06-24T09:30")
    with office.database.reading() as session:
        before = page_of_course(session, office.desk, RULES, 1).ends_at
    office.replan(1, visit=office.course(1).visit + minutes(60 * 24 * 20))  # type: ignore[operator]  # it has one
    with office.database.reading() as session:
        after = page_of_course(session, office.desk, replace(RULES), 1).ends_at
    assert after - before >= minutes(60 * 24 * 19)
