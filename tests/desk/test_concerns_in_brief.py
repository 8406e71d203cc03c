"""What lists of concerns show in brief is what their full contexts say."""

from __future__ import annotations

from dataclasses import fields

from reminders.desk.concern_list import ListedConcern, list_concerns
from reminders.desk.concerns import CallBack, close_concern, take_concern
from reminders.desk.concerns_in_brief import ConcernInBrief, lately_closed, open_in_brief
from reminders.records import concerns
from reminders.records.tables_concerns import Concern
from tests.databases import database_kind
from tests.desk.office import Office

__all__ = ["database_kind"]


def as_listed(each: ListedConcern) -> ConcernInBrief:
    """A concern with its context, as far as the brief one goes."""
    same = {field.name: getattr(each, field.name) for field in fields(ConcernInBrief) if field.name != "said"}
    return ConcernInBrief(**same, said=each.said[-1].text if each.said else "")


def test_a_list_in_brief_says_what_the_full_one_says(office: Office) -> None:
    """Of a patient who wrote twice, a stranger, a task without words, one somebody has, and one that is late."""
    office.enroll(zone="America/Denver")
    office.enroll(first_name="Kim", phone="312-555-0144")
    office.answers()
    office.reply("it is red and hot up to my ankle")
    office.reply("and there is pus", sender="+13125550123")
    office.reply("who is this?", sender="+13125550177")
    office.reply("chest pain", sender="+13125550144")
    now = office.clock.now()
    with office.database.writing() as session:
        told = {"kind": "task", "urgency": "routine", "summary": "Look at it", "practice_id": "main"}
        task = Concern(patient_id=2, signs=[], opened_at=now, due_at=now, **told)  # type: ignore[arg-type]
        concerns.open_concern(session, task, by="program")
        take_concern(session, office.desk, 1, by="Nora Nurse")
    office.play("2026-06-10T16:00")
    with office.database.reading() as session:
        full = list_concerns(session, office.desk)
        assert open_in_brief(session, office.desk) == tuple(map(as_listed, full))
    assert {bool(each.said) for each in full} == {each.is_overdue for each in full} == {True, False}
    assert {each.patient for each in full} >= {"", "Robin Invented", "Kim Invented"}


def test_what_was_closed_lately_comes_latest_first_and_leaves_after_two_weeks(office: Office) -> None:
    office.enroll()
    office.answers()
    for text in ("there is pus and it smells", "it is red and hot up to my ankle"):
        concern_id = office.reply(text).concern_id or 0
        office.play(f"2026-06-1{concern_id}T09:00")
        with office.database.writing() as session:
            close_concern(session, office.desk, concern_id, CallBack(outcome="reached"), by="Nora Nurse")
    with office.database.reading() as session:
        closed = lately_closed(session, office.desk)
        full = {each.id: as_listed(each) for each in list_concerns(session, office.desk, closed_too=True)}
    assert [each.id for each in closed] == [2, 1]
    assert closed == (full[2], full[1])
    office.play("2026-06-25T10:00")
    with office.database.reading() as session:
        assert [each.id for each in lately_closed(session, office.desk)] == [2]
        assert open_in_brief(session, office.desk) == ()
