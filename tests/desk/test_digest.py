"""The overview of the day: on the screen with names, by e-mail with numbers only."""

from __future__ import annotations

from datetime import time
from typing import Any

import pytest

from reminders.desk import steer_course
from reminders.desk.digest import Digest, DigestTimes, digest_lines, make_digest, send_digest
from reminders.desk.silence import attend_to_silence
from reminders.desk.staff_tasks import open_due_tasks
from tests.desk.conftest import Opener
from tests.desk.office import PHONE, Office, at
from tests.desk.test_duty import PEOPLE, SHIFTS

TIMES = DigestTimes(send=True, at_wall=time(8, 45), on_closed_days=False)


@pytest.fixture
def office(office_at: Opener) -> Office:
    """The practice with a duty list: three patients, one silent, one who is in trouble, one paused."""
    office = office_at(duty={"people": PEOPLE, "shifts": SHIFTS})
    office.enroll(first_name="Silvia", last_name="Invented", phone="312-555-0121", factors=("diabetes",))
    office.enroll(first_name="Tom", last_name="Invented", phone="312-555-0122")
    office.enroll(first_name="Paula", last_name="Invented")
    office.play("2026-06-11T13:00")
    office.reply("yes", sender="+13125550122")
    office.reply("yes", sender=PHONE)
    office.play("2026-06-12T08:00")
    attend_to_silence(office.database, office.desk)
    office.reply("there is pus and it smells", sender="+13125550122")
    with office.database.writing() as session:
        steer_course.pause_course(session, office.desk, 3, steer_course.Decision(by="Ada"))
    return office


def digest(office: Office) -> Digest:
    with office.database.reading() as session:
        return make_digest(session, office.desk)


def send(office: Office, **changes: Any) -> bool:
    return send_digest(office.database, office.desk, DigestTimes(**(vars(TIMES) | changes)))


def test_it_says_who_is_where(office: Office) -> None:
    found = {each.patient: each for each in digest(office).courses}
    assert {name: (each.day, each.is_paused, each.silent_since is not None) for name, each in found.items()} == {
        "Silvia Invented": (2, False, True),
        "Tom Invented": (2, False, False),
        "Paula Invented": (2, True, False),
    }
    assert [(each.urgency, each.kind) for each in digest(office).concerns] == [
        ("urgent", "reply"),
        ("routine", "silence"),
    ]
    assert [found[name].concerns for name in ("Silvia Invented", "Tom Invented", "Paula Invented")] == [(1,), (2,), ()]


def test_who_wrote_since_is_not_silent_any_more(office: Office) -> None:
    office.reply("sorry, all is well", sender="+13125550121")
    assert digest(office).silent == ()


def test_a_course_that_is_over_is_left_out(office: Office) -> None:
    office.play("2026-07-30T10:00")
    assert digest(office).courses == ()


def test_the_mail_names_nobody(office: Office) -> None:
    assert digest_lines(digest(office), office.desk) == (
        "Example Foot Care: 3 courses run.",
        "Open concerns: 1 urgent, 1 routine.",
        "Silent, enrollments: 1.",
        "Paused, enrollments: 3.",
        "Who they are: reminders concerns; reminders digest",
    )


def test_it_goes_to_the_first_on_duty_who_has_an_address_once_a_day(office: Office) -> None:
    assert not send(office)  # it is eight o'clock
    office.clock.move_to(at("2026-06-12T08:45"))
    assert send(office)
    assert not send(office)
    office.dispatcher.run_once()
    (mail,) = [each for each in office.handed_over if each["to"] == "nurse@example.org"]
    assert mail["subject"] == "Aftercare today: 2 open, 1 silent"
    assert "Silvia" not in mail["text"]


@pytest.mark.parametrize(
    ("moment", "changes", "sent"),
    [
        pytest.param("2026-06-13T10:00", {}, False, id="saturday"),
        pytest.param("2026-06-13T10:00", {"on_closed_days": True}, True, id="saturday-too"),
        pytest.param("2026-06-15T10:00", {}, True, id="late-after-the-program-stood-still"),
        pytest.param("2026-06-15T10:00", {"send": False}, False, id="not-wanted"),
    ],
)
def test_when_it_is_sent(office: Office, moment: str, changes: dict[str, Any], sent: bool) -> None:
    office.clock.move_to(at(moment))
    assert send(office, **changes) is sent


def test_without_anybody_to_read_it_nothing_is_sent(office_at: Opener) -> None:
    office = office_at("2026-06-12T09:00")
    assert not send(office)


def test_a_long_list_is_cut(office_at: Opener) -> None:
    office = office_at()
    for number in range(40):
        office.reply("there is pus and it smells", sender=f"+131255501{number:02}")
    office.clock.move_to(at("2026-06-12T09:00"))
    (line,) = [each for each in digest_lines(digest(office), office.desk) if each.startswith("Overdue")]
    assert line.endswith("29, 30 and 10 more.")


def test_tasks_for_staff_are_told_when_they_come_up_and_a_week_before(office: Office) -> None:
    office.enroll(procedure="punch-biopsy", first_name="Tessa", phone="312-555-0124", site="left arm")
    assert digest(office).tasks == ()
    office.clock.move_to(at("2026-06-20T08:00"))
    (task,) = digest(office).tasks
    assert (task.enrollment_id, task.says) == (4, "Was the result given to the patient and recorded?")
    assert "Tasks within 7 days, enrollments: 4." in digest_lines(digest(office), office.desk)
    office.clock.move_to(at("2026-06-26T08:00"))  # day 14 after the 12th
    open_due_tasks(office.database, office.desk)
    assert digest(office).tasks == ()
    (concern,) = [each.id for each in digest(office).concerns if each.kind == "task"]
    assert f"Tasks for staff, concerns: {concern}." in digest_lines(digest(office), office.desk)
