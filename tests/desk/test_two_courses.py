"""Two courses of one patient: what both say is said once, and where they differ each names its site."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import timedelta

import pytest

from reminders.desk.end_course import cancel_course
from reminders.errors import NotFound, StateError
from tests.desk.office import Office

Opener = Callable[..., Office]

LEFT, RIGHT = "left big toe", "right big toe"


def cancel(office: Office, enrollment: int, reason: str = "") -> int:
    with office.database.writing() as session:
        return cancel_course(session, office.desk, enrollment, by="Ada", reason=reason)


def waiting(office: Office, enrollment: int) -> list[str]:
    return [m.key for m in office.messages(enrollment) if m.state == "scheduled"]


def spoken(office: Office) -> Counter[str]:
    """How often each text went out."""
    return Counter(office.texts)


def test_two_toes_treated_alike_are_spoken_of_once_and_without_a_site(office_at: Opener) -> None:
    alone, twins = office_at(), office_at()
    alone.enroll()
    twins.enroll(site=LEFT)
    second = twins.enroll(site=RIGHT, again=True)
    assert waiting(twins, second.enrollment_id) == []
    for office in (alone, twins):
        office.play("2026-06-30T12:00")
    assert twins.texts == alone.texts


def test_twins_treated_one_after_the_other_are_told_of_two_doses_at_most_once(office: Office) -> None:
    office.enroll(site=LEFT)
    office.clock.advance(timedelta(minutes=40))
    second = office.enroll(site=RIGHT, again=True)
    # the second dressing comes off 40 minutes after the first: said once
    assert "dressing_off" not in waiting(office, second.enrollment_id)
    office.play("2026-06-30T12:00")
    assert sum("ibuprofen" in text for text in office.texts) == 1


def test_a_toe_done_a_week_later_makes_both_courses_name_their_site(office: Office) -> None:
    first = office.enroll(site=LEFT).enrollment_id
    office.play("2026-06-17T09:00")
    second = office.enroll(site=RIGHT).enrollment_id
    assert office.course(first).overlaps
    assert office.course(second).overlaps
    for enrollment, site in ((first, LEFT), (second, RIGHT)):
        texts = [m.text for m in office.messages(enrollment) if m.state == "scheduled"]
        assert texts
        assert all(text.startswith(f"Example Foot Care ({site}): ") for text in texts)


@pytest.mark.parametrize(("typed", "again_at"), [(LEFT, LEFT), ("Left  big toe", "Left big toe")])
def test_a_toe_treated_again_at_the_same_site_names_its_day_as_well(office: Office, typed: str, again_at: str) -> None:
    first = office.enroll(site=LEFT).enrollment_id
    office.play("2026-06-12T09:00")
    again = office.enroll(site=typed).enrollment_id
    soaks = [m.text for m in office.messages(first) if m.state == "scheduled"]
    later = [m.text for m in office.messages(again) if m.state == "scheduled"]
    assert soaks
    assert all(text.startswith(f"Example Foot Care ({LEFT}): ") for text in soaks)
    assert later
    assert all(text.startswith(f"Example Foot Care ({again_at}, Jun 12): ") for text in later)


def test_two_procedures_of_one_visit_at_one_site_keep_its_name(office: Office) -> None:
    office.enroll(procedure="punch-biopsy", site="left arm")
    second = office.enroll(procedure="wart-cryotherapy", site="left arm").enrollment_id
    assert office.course(second).site == "left arm"


def test_without_a_site_the_day_of_the_procedure_tells_which_is_meant(office: Office) -> None:
    first = office.enroll().enrollment_id
    office.play("2026-06-17T09:00")
    second = office.enroll().enrollment_id
    (text,) = [m.text for m in office.messages(first) if m.key == "closing"]
    assert "(area treated Wed, Jun 10)" in text
    assert all("(area treated Wed, Jun 17)" in m.text for m in office.messages(second) if m.state == "scheduled")


def test_toes_done_two_days_apart_each_get_all_their_soaks(office: Office) -> None:
    first = office.enroll(site=LEFT).enrollment_id
    office.play("2026-06-12T09:00")
    second = office.enroll(site=RIGHT).enrollment_id
    office.play("2026-06-30T12:00")
    assert len(office.moments(first, "soak", "sent")) == 7
    # the evening of 13 June to the morning of 17 June, two a day, beside the first toe's
    assert len(office.moments(second, "soak", "sent", "joined")) == 7
    after = office.texts[office.texts.index(office.message(first, "ointment_stop").text) :]
    assert not any("Soak" in text and RIGHT not in text for text in after), "the first toe is not soaked any more"


def test_no_message_of_two_courses_reaches_a_patient_at_the_same_moment(office: Office) -> None:
    office.enroll(site=LEFT)
    office.play("2026-06-12T09:00")
    office.enroll(site=RIGHT)
    office.play("2026-06-30T12:00")
    moments = [each["at"] for each in office.handed_over]
    assert len(set(moments)) == len(moments)


def test_cancelling_one_of_two_twins_lets_the_other_speak_for_itself(office: Office) -> None:
    first = office.enroll(site=LEFT).enrollment_id
    second = office.enroll(site=RIGHT, again=True).enrollment_id
    office.play("2026-06-12T10:00")  # the morning soak was said two hours ago, and is useful for one more
    planned = waiting(office, first)
    assert cancel(office, first) == len(planned) + 1  # with the check-in that is joined to a soak
    assert waiting(office, second) == planned
    office.play("2026-06-30T12:00")
    repeated = {text for text, times in spoken(office).items() if times > 1}
    assert all("Soak" in text or "Call 911" in text for text in repeated)
    assert sum("Soak" in text for text in office.texts) == 7


def test_a_twin_whose_stop_day_moves_is_a_twin_no_longer(office: Office) -> None:
    first = office.enroll(site=LEFT).enrollment_id
    second = office.enroll(site=RIGHT, again=True).enrollment_id
    office.play("2026-06-12T10:00")
    office.replan(first, settings={"stop_day": 7})
    assert "ointment_stop" in waiting(office, second)
    texts = [m.text for m in office.messages() if m.state == "scheduled"]
    assert all(LEFT in text or RIGHT in text for text in texts)
    office.play("2026-06-30T12:00")
    assert office.moments(second, "ointment_stop", "sent") == ["2026-06-15 08:02"]  # after the first toe's soak
    assert office.moments(first, "ointment_stop", "sent") == ["2026-06-17 08:00"]


def test_a_third_toe_done_otherwise_makes_all_three_name_their_site(office: Office) -> None:
    courses = [office.enroll(site=LEFT).enrollment_id, office.enroll(site=RIGHT, again=True).enrollment_id]
    office.play("2026-06-12T09:00")
    courses.append(office.enroll(site="left second toe").enrollment_id)
    assert [office.course(each).overlaps for each in courses] == [True, True, True]
    for enrollment, site in zip(courses, (LEFT, RIGHT, "left second toe"), strict=True):
        assert all(f"({site})" in m.text for m in office.messages(enrollment) if m.state == "scheduled")
        assert "soak" in waiting(office, enrollment)


def test_a_course_that_has_nothing_left_to_say_changes_nothing(office: Office) -> None:
    office.enroll(site=LEFT)
    office.play("2026-06-26T12:00")
    second = office.enroll(site=RIGHT)
    assert not office.course(second.enrollment_id).overlaps


def test_relatives_who_share_a_number_are_told_apart_by_nothing_said_twice(office: Office) -> None:
    mother = office.enroll(first_name="Robin").enrollment_id
    child = office.enroll(first_name="Kim", factors=("child",)).enrollment_id
    assert not office.course(child).overlaps
    assert waiting(office, child) == waiting(office, mother)


def test_a_cancelled_course_says_nothing_more(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-11T09:00")
    sent = len(office.texts)
    cancel(office, enrollment, "moved away")
    office.play("2026-06-30T12:00")
    assert len(office.texts) == sent
    details = {m.detail for m in office.messages(enrollment) if m.state == "cancelled"}
    assert details == {"the course was cancelled by Ada: moved away"}


def test_what_was_said_stays_said_in_a_cancelled_course(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-13T19:30")
    cancel(office, enrollment)
    assert office.message(enrollment, "checkin_pain").state == "joined"


def test_only_a_course_that_runs_can_be_cancelled(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    cancel(office, enrollment)
    with pytest.raises(StateError, match="is cancelled"):
        cancel(office, enrollment)
    with pytest.raises(NotFound):
        cancel(office, 77)


def test_the_second_course_of_a_stopped_patient_found_by_name_is_enrolled(office: Office) -> None:
    first = office.enroll(site=LEFT, email="robin@example.org")
    office.play("2026-06-12T09:00")
    office.reply("STOP")
    sent = len(office.texts)
    second = office.enroll(site=RIGHT, phone="", email="robin@example.org", channel="email")
    assert second.patient_id == first.patient_id
    office.play("2026-06-30T12:00")
    by_channel = Counter(each["channel"] for each in office.handed_over[sent:])
    assert by_channel["sms"] == 1, "the confirmation of the opt-out"
    assert by_channel["email"] > 15
