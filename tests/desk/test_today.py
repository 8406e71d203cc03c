"""The page of the day counts everybody and looks up only who is shown, and says the same as the whole overview."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from reminders.care.pacing import Limit
from reminders.desk import steer_course
from reminders.desk.digest import make_digest
from reminders.desk.forecast import Terms, make_forecast
from reminders.desk.silence import attend_to_silence
from reminders.desk.today import Today, today
from tests.databases import database_kind
from tests.desk.conftest import Opener
from tests.desk.office import PHONE, Office, at
from tests.desk.test_query_plans import scans, statements

__all__ = ["database_kind"]


@pytest.fixture
def office(office_at: Opener) -> Office:
    """Five patients: one silent, one in trouble, one paused, one who was silent and wrote since, and a new one."""
    office = office_at()
    for number, name in enumerate(("Silvia", "Tom", "Paula", "Wanda"), start=1):
        phone = PHONE if name == "Paula" else f"312-555-014{number}"
        office.enroll(first_name=name, phone=phone, factors=("diabetes",))
    office.play("2026-06-11T13:00")
    office.reply("yes", sender="+13125550142")
    office.reply("yes", sender=PHONE)
    office.play("2026-06-12T08:00")
    attend_to_silence(office.database, office.desk)
    office.reply("there is pus and it smells", sender="+13125550142")
    office.clock.advance(timedelta(minutes=10))
    office.reply("yes", sender="+13125550144")
    with office.database.writing() as session:
        steer_course.pause_course(session, office.desk, 3, steer_course.Decision(by="Ada"))
    office.enroll(first_name="Nell", phone="312-555-0145")
    return office


def seen(office: Office, terms: Terms | None = None) -> Today:
    with office.database.reading() as session:
        return today(session, office.desk, terms or Terms())


def reads_all_messages(office: Office, run: list[tuple[str, Any]]) -> list[str]:
    """The statements that would read every message a practice ever had, as an index narrows them no further."""
    with office.database.reading() as session:
        plans = {text: session.connection().exec_driver_sql(f"EXPLAIN QUERY PLAN {text}", with_) for text, with_ in run}
        return [
            text
            for text, plan in plans.items()
            if any(re.search(r"SEARCH (message|m\w*) .*\(practice_id=\?\)$", row[3]) for row in plan)
        ]


def test_it_counts_and_lists_what_the_whole_overview_holds(office: Office) -> None:
    found = seen(office)
    with office.database.reading() as session:
        whole = make_digest(session, office.desk)
    assert found.running.count == len(whole.courses) == 5
    assert found.running.silent == len(whole.silent) == 1
    assert sorted(found.running.listed, key=str) == sorted(whole.courses, key=str)
    assert found.open_concerns == len(whole.concerns)
    assert found.late_concerns == sum(each.is_overdue for each in whole.concerns)


def test_who_wants_a_look_stands_first(office: Office) -> None:
    names = [each.patient.split()[0] for each in seen(office).running.listed]
    assert names[-1] == "Nell"
    assert {"Silvia", "Tom", "Paula"} <= set(names[:4])


def test_what_lies_ahead_is_what_the_forecast_says(office: Office) -> None:
    terms = Terms(sms_segment=Decimal("0.02"), email=Decimal("0.001"))
    found = seen(office, terms).ahead
    with office.database.reading() as session:
        whole = make_forecast(session, office.desk.practice_id, terms, now=office.clock.now())
    assert (found.cost, found.too_late) == (whole.cost, len(whole.too_late))
    assert found.cost > 1
    assert found.messages > 50
    assert [day for day, _ in found.days] == [date(2026, 6, 12) + timedelta(days=number) for number in range(14)]
    waiting = [each for each in office.messages() if each.state == "scheduled"]
    on_the_13th = [each for each in waiting if at("2026-06-13T00:00") <= each.due_at < at("2026-06-14T00:00")]
    assert found.days[1] == (date(2026, 6, 13), len(on_the_13th))


def test_a_pace_that_is_too_slow_is_told(office: Office) -> None:
    assert seen(office).ahead.too_late == 0
    assert seen(office, Terms(limits={"sms": (Limit(seconds=86_400, most=1),)})).ahead.too_late > 0


def test_what_nobody_sent_in_time_is_late(office: Office) -> None:
    assert seen(office).ahead.late == 0
    office.clock.move_to(at("2026-06-13T12:00"))
    found = seen(office)
    assert found.ahead.late > 0
    assert found.is_stalled


def test_what_became_of_the_last_day_is_told_by_channel(office: Office) -> None:
    sent = [each for each in office.messages() if each.state == "sent" and each.send_at >= at("2026-06-11T08:10")]
    assert seen(office).handed_over["sms", "sent"] == len(sent) > 0


def test_it_reads_no_table_from_end_to_end(office_at: Opener, database_kind: str) -> None:
    office = office_at()
    for number in range(12):
        office.enroll(phone=f"312-555-01{number:02}")
    if database_kind == "sqlite":
        with statements(office) as run:
            seen(office)
        assert len(run) > 5
        assert scans(office, run) == []
        assert reads_all_messages(office, run) == []
    assert seen(office).running.count == 12
