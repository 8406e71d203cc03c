"""A whole course of two weeks, played message by message: each at its moment, in order, in the words of the preview."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from reminders.care.values import Outcome
from reminders.desk.preview import preview
from tests.build import LEAD
from tests.desk.office import Office, at, wall

Opener = Callable[..., Office]

PATIENTS: dict[str, tuple[str, dict[str, Any]]] = {
    "healthy": ("2026-06-10T10:30", {}),
    "visit-booked": ("2026-06-10T10:30", {"visit": "2026-06-24T10:00"}),
    "many-factors": ("2026-06-10T10:30", {"factors": ("diabetes", "warfarin", "adhesive allergy")}),
    "child": ("2026-06-10T15:05", {"factors": ("child",), "slots": {"morning": "07:00", "evening": "18:00"}}),
    "spanish": ("2026-06-10T10:30", {"language": "es"}),
    "by-email": ("2026-06-10T10:30", {"channel": "email", "email": "robin@example.org"}),
    "evening": ("2026-06-10T20:50", {}),
    "afternoon-with-a-long-block": ("2026-06-10T16:45", {"settings": {"anaesthetic": "bupivacaine", "stop_day": "9"}}),
    "clocks-go-forward": ("2026-03-06T15:30", {}),
    "clocks-go-back": ("2026-10-30T15:30", {}),
}


def play_and_watch(office: Office, until: datetime) -> None:
    """Send everything at its moment; the clock never stands where nothing is due."""
    office.dispatcher.run_once()
    while (next_at := office.dispatcher.next_at()) is not None and next_at <= until:
        assert next_at > office.clock.now(), "what was due is gone"
        office.clock.move_to(next_at)
        assert office.dispatcher.run_once().total > 0


@pytest.mark.parametrize(("start", "facts"), PATIENTS.values(), ids=PATIENTS.keys())
def test_every_message_goes_out_at_its_moment_in_the_words_of_the_preview(
    office_at: Opener, start: str, facts: dict[str, Any]
) -> None:
    office = office_at(start)
    given = office.given(**facts)
    ready = office.desk.library.get(LEAD)
    asked = tuple(name for name in given.course.factors if name != "none")
    shown = preview(ready, replace(given.course, factors=asked), office.desk.house, first_name=given.first_name)
    enrolled = office.enroll(**facts)
    play_and_watch(office, at(start) + timedelta(days=21))
    expected = [
        (each.joined.send_at.isoformat(), each.rendered.text)
        for each in shown.messages
        if each.joined.outcome is Outcome.SCHEDULED
    ]
    assert [(each["at"], each["text"]) for each in office.handed_over] == expected
    counts = Counter(m.state for m in office.messages(enrolled.enrollment_id))
    assert counts["sent"] == len(expected)
    assert counts["joined"] == sum(len(each.joined.members) - 1 for each in shown.messages)
    outcomes = Counter(each.joined.outcome for each in shown.messages)
    assert counts["at_checkout"] == outcomes[Outcome.AT_CHECKOUT]
    assert counts["withheld"] == outcomes[Outcome.WITHHELD]
    assert set(counts) <= {"sent", "joined", "at_checkout", "withheld"}
    assert office.dispatcher.next_at() is None


@pytest.mark.parametrize(("start", "facts"), PATIENTS.values(), ids=PATIENTS.keys())
def test_no_message_leaves_in_quiet_hours(office_at: Opener, start: str, facts: dict[str, Any]) -> None:
    office = office_at(start)
    office.enroll(**facts)
    play_and_watch(office, at(start) + timedelta(days=21))
    clocks = [wall(datetime.fromisoformat(each["at"]))[-5:] for each in office.handed_over]
    assert all("08:00" <= clock < "21:00" for clock in clocks)
    days = Counter(wall(datetime.fromisoformat(each["at"]))[:10] for each in office.handed_over)
    assert max(days.values()) <= office.desk.house.rules.daily_limit


def test_a_practice_of_many_patients_sends_each_their_own(office: Office) -> None:
    names = [f"Patient{number}" for number in range(12)]
    for number, name in enumerate(names):
        office.enroll(first_name=name, phone=f"312-555-01{number + 10}", email=f"{name}@example.org")
        office.clock.advance(timedelta(minutes=7))
    play_and_watch(office, at("2026-07-01T12:00"))
    per_number = Counter(each["to"] for each in office.handed_over)
    assert len(per_number) == 12
    assert set(per_number.values()) == {21}
    moments = [each["at"] for each in office.handed_over]
    assert moments == sorted(moments)


def test_after_a_night_without_power_only_what_is_still_useful_goes_out(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-11T20:00")
    office.clock.move_to(at("2026-06-12T11:30"))  # the morning's soak at 08:00 was useful until 11:00
    report = office.dispatcher.run_once()
    assert (report.sent, report.withheld) == (0, 1)
    assert office.message(enrollment, "soak", 2).state == "withheld"
    (concern,) = office.concerns()
    assert (concern.kind, concern.urgency) == ("delivery", "routine")
    office.play("2026-06-12T13:00")
    assert "Clear or pale yellow fluid" in office.texts[-1]
