"""Planning a course anew: the difference first, then the change, and nothing is ever said twice."""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Callable
from datetime import datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import update

from reminders.care.timing import local_day
from reminders.care.values import DEFAULT_SLOTS, Channel, Slot
from reminders.desk.consent import record_consent
from reminders.desk.course_difference import Change
from reminders.desk.end_course import cancel_course
from reminders.desk.replan import Proposal, _store, propose, replan
from reminders.desk.statement import Statement
from reminders.errors import InputError, NotFound, StateError
from reminders.records.tables import Enrollment
from tests.build import LEAD, PLANS
from tests.desk.office import CHICAGO, PHONE, Office, at, wall

Opener = Callable[..., Office]


def changed(proposal: Proposal, what: str) -> list[tuple[str, int]]:
    """The messages that something happens to."""
    return [(each.key, each.occurrence) for each in proposal.changes if each.what == what]


def slots(**changes: str) -> dict[Slot, time]:
    return {**DEFAULT_SLOTS, **{Slot(name): time.fromisoformat(wall_time) for name, wall_time in changes.items()}}


def test_a_proposal_stores_nothing(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    before = office.dump()
    assert office.propose(enrollment, settings={"stop_day": 7}).changes
    assert office.dump() == before


@pytest.mark.parametrize("hours", [0, 3, 25, 80, 400], ids="after {} h".format)
def test_the_same_facts_change_nothing(office: Office, hours: int) -> None:
    enrollment = office.enroll(visit="2026-06-24T10:00").enrollment_id
    office.play(f"{wall(office.clock.now() + timedelta(hours=hours))}")
    assert office.propose(enrollment).changes == ()


def test_the_same_facts_keep_what_the_desk_message_says_for_the_desk(office_at: Opener) -> None:
    office = office_at("2026-06-10T20:50")
    enrollment = office.enroll().enrollment_id
    assert office.propose(enrollment).changes == ()
    office.replan(enrollment)
    assert any("ibuprofen" in text for text in office.answers())


def test_a_later_stop_day_adds_soaks_and_moves_the_stop(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-12T10:00")
    proposal = office.replan(enrollment, settings={"stop_day": 7})
    assert changed(proposal, "added") == [("soak", n) for n in range(8, 12)]
    assert changed(proposal, "moved") == [("ointment_stop", 1)]
    assert office.moments(enrollment, "ointment_stop") == ["2026-06-17 08:00"]
    office.play("2026-06-26T12:00")
    assert sum("Soak the treated area" in text for text in office.texts) == 11


def test_an_earlier_stop_day_cancels_the_soaks_after_it(office: Office) -> None:
    enrollment = office.enroll(settings={"stop_day": "9"}).enrollment_id
    office.play("2026-06-12T10:00")
    proposal = office.replan(enrollment, settings={"stop_day": 4})
    assert changed(proposal, "cancelled") == [("soak", n) for n in range(6, 16)]
    assert office.moments(enrollment, "ointment_stop") == ["2026-06-14 08:00"]


def test_a_course_lengthened_shortened_and_lengthened_again_revives_what_was_cancelled(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    before = office.moments(enrollment, "soak")
    office.replan(enrollment, settings={"stop_day": 3})
    office.replan(enrollment, settings={})
    assert office.moments(enrollment, "soak") == before


def test_a_visit_moved_moves_its_messages(office: Office) -> None:
    enrollment = office.enroll(visit="2026-06-24T10:00").enrollment_id
    proposal = office.replan(enrollment, visit=at("2026-06-26T14:00"))
    assert changed(proposal, "moved") == [("visit", 1), ("visit_today", 1), ("closing", 1)]
    assert office.moments(enrollment, "visit") == ["2026-06-24 12:30"]
    assert "Fri, Jun 26 at 2:00" in office.message(enrollment, "visit").text


def test_a_visit_moved_after_its_reminder_is_announced_anew_once(office: Office) -> None:
    enrollment = office.enroll(visit="2026-06-24T10:00").enrollment_id
    office.play("2026-06-23T09:00")
    office.replan(enrollment, visit=at("2026-06-30T14:00"))
    office.play("2026-07-10T12:00")
    assert office.moments(enrollment, "visit", "sent") == ["2026-06-22 12:30", "2026-06-28 12:30"]


def test_a_visit_booked_turns_the_request_to_book_into_a_reminder(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    proposal = office.replan(enrollment, visit=at("2026-06-24T10:00"))
    assert changed(proposal, "reworded") == [("visit", 1)]
    assert changed(proposal, "added") == [("visit_today", 1)]


def test_a_slot_moved_moves_what_is_said_then(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-12T10:00")
    office.replan(enrollment, slots=slots(evening="18:00"))
    assert office.moments(enrollment, "soak")[:2] == ["2026-06-12 18:00", "2026-06-13 08:00"]


def test_a_slot_moved_later_after_it_was_used_says_nothing_again_that_day(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-12T19:30")
    office.replan(enrollment, slots=slots(evening="20:30"))
    assert office.moments(enrollment, "soak")[0] == "2026-06-13 08:00"


def test_a_change_of_factors_changes_words_and_adds_what_they_call_for(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-10T12:45")
    proposal = office.replan(enrollment, factors=frozenset({"blood_thinner_not_warfarin", "diabetes"}))
    assert ("checkin_bleeding", 1) in changed(proposal, "added")
    assert ("pain_relief", 1) in changed(proposal, "reworded")
    assert office.message(enrollment, "pain_relief").text_name == "pain_relief_acetaminophen"


def test_another_language_rewords_what_is_left_and_moves_nothing(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-12T10:00")
    before = {(m.key, m.occurrence): m.send_at for m in office.messages(enrollment)}
    proposal = office.replan(enrollment, language="es")
    assert {each.what for each in proposal.changes} == {"reworded"}
    after = office.messages(enrollment)
    assert {(m.key, m.occurrence): m.send_at for m in after} == before
    assert {m.language for m in after if m.state == "sent"} == {"en"}
    assert {m.language for m in after if m.state == "scheduled"} == {"es"}


def test_the_other_channel_says_the_rest_there(office: Office) -> None:
    enrollment = office.enroll(email="robin@example.org").enrollment_id
    office.play("2026-06-12T10:00")
    sent = len(office.handed_over)
    office.replan(enrollment, channel=Channel.EMAIL)
    office.play("2026-06-26T12:00")
    assert {each["channel"] for each in office.handed_over[sent:]} == {"email"}
    assert len({each["key"] for each in office.handed_over}) == len(office.handed_over)


def test_a_channel_without_an_address_is_refused(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    with pytest.raises(InputError, match="no address for email"):
        office.replan(enrollment, channel=Channel.EMAIL)


def test_facts_that_the_plan_does_not_allow_are_refused(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    before = office.dump()
    with pytest.raises(InputError, match="must be a later day"):
        office.replan(enrollment, settings={"stop_day": 3, "first_dressing_hours": 120})
    assert office.dump() == before


def test_a_number_consented_to_later_is_used_when_the_course_is_planned_anew(office: Office) -> None:
    enrolled = office.enroll()
    office.dispatcher.run_once()
    office.reply("you have the wrong number")
    with office.database.writing() as session:
        record_consent(
            session, office.desk, enrolled.patient_id, "312-555-0166", Statement(wording="by phone", recorded_by="Ada")
        )
    proposal = office.replan(enrolled.enrollment_id)
    assert {each.what for each in proposal.changes} == {"readdressed"}
    office.play("2026-06-11T12:00")
    assert {each["to"] for each in office.handed_over[2:]} == {"+13125550166"}


def test_a_joined_text_whose_host_went_out_was_said(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-13T19:30")
    assert office.message(enrollment, "checkin_pain").state == "joined"
    for stop_day in (6, 5):
        proposal = office.replan(enrollment, settings={"stop_day": stop_day})
        assert not any(each.key == "checkin_pain" for each in proposal.changes)
    office.play("2026-06-16T12:00")
    assert sum("How bad is your pain" in text for text in office.texts) == 1


def test_a_text_leaves_its_host_when_they_part(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    assert office.message(enrollment, "checkin_pain").joined_into == "soak:5"
    proposal = office.replan(enrollment, settings={"stop_day": 3})
    assert ("checkin_pain", 1) in changed(proposal, "added")
    assert office.message(enrollment, "checkin_pain").state == "scheduled"


def test_the_enrollment_keeps_the_facts_it_was_planned_by(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.replan(enrollment, procedure_end=at("2026-06-09T10:30"), settings={"stop_day": 6})
    with office.database.reading() as session:
        kept = session.get(Enrollment, enrollment)
    assert kept is not None
    assert (f"{kept.procedure_on}", wall(kept.procedure_end)) == ("2026-06-09", "2026-06-09 10:30")
    assert office.course(enrollment).settings == {"stop_day": 6}


# --- what moved on meanwhile


def test_what_was_shown_is_stored_when_nothing_happened_meanwhile(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    shown = office.propose(enrollment, settings={"stop_day": 7})
    assert office.replan(enrollment, shown=shown, settings={"stop_day": 7}).changes == shown.changes


def test_what_goes_out_at_once_may_move_with_the_clock_while_somebody_looks(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    office.play("2026-06-12T09:00")
    facts = {"slots": slots(morning="08:45", evening="14:00")}
    office.play("2026-06-12T14:20")
    shown = office.propose(enrollment, **facts)
    assert any(each.after_at == office.clock.now() for each in shown.changes)
    office.clock.advance(timedelta(minutes=3))
    office.replan(enrollment, shown=shown, **facts)


def test_a_difference_that_is_no_longer_true_is_refused(office: Office) -> None:
    enrollment = office.enroll(settings={"stop_day": "9"}).enrollment_id
    shown = office.propose(enrollment, settings={"stop_day": 3})
    office.play("2026-06-13T08:30")  # a soak that was shown as cancelled went out
    before = office.dump()
    with pytest.raises(StateError, match="moved on while you were looking"):
        office.replan(enrollment, shown=shown, settings={"stop_day": 3})
    assert office.dump() == before


def test_what_somebody_else_changed_meanwhile_is_not_undone_unseen(office: Office) -> None:
    enrollment = office.enroll(visit="2026-06-24T10:00").enrollment_id
    mine = office.course(enrollment)
    shown = office.propose(enrollment, settings={"stop_day": 7})
    office.replan(enrollment, visit=at("2026-06-25T10:00"))
    with office.database.writing() as session, pytest.raises(StateError):
        replan(session, office.desk, enrollment, mine, shown=shown.changes)


def test_a_message_that_goes_out_while_its_change_is_stored_takes_everything_back(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    stale = office.propose(enrollment, settings={"stop_day": 3})
    office.play("2026-06-13T08:30")
    before = office.dump()
    # on a server where two write at once this may happen between the two halves of `replan`
    with pytest.raises(StateError, match="a message went out"), office.database.writing() as session:
        _store(session, stale, at=office.clock.now())
    assert office.dump() == before


def test_a_course_goes_on_in_the_words_it_began_with(office_at: Opener, tmp_path: Path) -> None:
    templates = Path(shutil.copytree(PLANS, tmp_path / "templates"))
    office = office_at(templates=templates)
    enrollment = office.enroll().enrollment_id
    (templates / LEAD / "en" / "soak.sms.j2").write_text("Invented new words.")
    for part in ("library", "_rules"):
        vars(office.app).pop(part)  # as after a restart
    proposal = office.replan(enrollment, settings={"stop_day": 7})
    assert {each.what for each in proposal.changes} == {"added", "moved"}
    assert not any("Invented" in m.text for m in office.messages(enrollment))


def test_a_course_whose_plan_was_not_kept_is_not_planned_anew(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    with office.database.writing() as session:
        session.execute(update(Enrollment).values(content_hash="0" * 64))
    with pytest.raises(StateError, match="earlier content was not kept"):
        office.replan(enrollment, settings={"stop_day": 7})


def test_only_a_course_that_runs_can_be_planned_anew(office: Office) -> None:
    with pytest.raises(NotFound), office.database.reading() as session:
        propose(session, office.desk, 77, office.course(office.enroll().enrollment_id))
    with office.database.writing() as session:
        cancel_course(session, office.desk, 1, by="Ada", reason="")
    with pytest.raises(StateError, match="is cancelled"):
        office.replan(1, settings={"stop_day": 7})


# --- nothing twice, whatever changes when


def visit_on(day: int) -> dict[str, Any]:
    return {"visit": at(f"2026-06-{10 + day:02}T10:00")}


CHANGES = st.one_of(
    st.sampled_from([3, 4, 5, 7, 9]).map(lambda day: {"settings": {"stop_day": day}}),
    st.sampled_from([24, 36, 48]).map(lambda hours: {"settings": {"first_dressing_hours": hours, "stop_day": 6}}),
    st.sampled_from([7, 13, 14, 20]).map(visit_on),
    st.just({"visit": None}),
    st.sampled_from([("evening", "18:00"), ("evening", "20:30"), ("morning", "07:00"), ("morning", "10:00")]).map(
        lambda one: {"slots": slots(**{one[0]: one[1]})}
    ),
    st.sampled_from(["09:30", "10:00", "11:30"]).map(lambda text: {"procedure_end": at(f"2026-06-10T{text}")}),
    st.sets(st.sampled_from(["diabetes", "warfarin", "child", "neuropathy"])).map(
        lambda names: {"factors": frozenset(names)}
    ),
    st.sampled_from(["en", "es"]).map(lambda code: {"language": code}),
    st.sampled_from(list(Channel)).map(lambda channel: {"channel": channel}),
)
STEPS = st.lists(st.tuples(st.integers(0, 60), CHANGES), min_size=1, max_size=5)


def said(office: Office, enrollment: int) -> dict[tuple[Any, str], list[datetime]]:
    """When each instruction was said, by local day; joined ones at the moment of their host."""
    sent = {f"{m.key}:{m.occurrence}" for m in office.messages(enrollment) if m.state == "sent"}
    moments: dict[tuple[Any, str], list[datetime]] = defaultdict(list)
    for m in office.messages(enrollment):
        if m.state == "sent" or (m.state == "joined" and m.joined_into in sent):
            moments[local_day(m.send_at, CHICAGO), m.key].append(m.send_at)
    return moments


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_nothing_is_said_twice_whatever_changes_when(office_at: Opener, steps: list[tuple[int, Any]]) -> None:
    office = office_at("2026-06-10T11:45")
    enrollment = office.enroll(end="2026-06-10T10:30", email="robin@example.org").enrollment_id
    for hours, facts in steps:
        office.play(wall(office.clock.now() + timedelta(hours=hours)))
        try:
            office.replan(enrollment, **facts)
        except InputError:
            continue
        assert office.propose(enrollment).changes == (), "planning anew by the same facts changes nothing"
    office.play("2026-07-20T12:00")
    keys = [each["key"] for each in office.handed_over]
    assert len(set(keys)) == len(keys)
    for (_, key), moments in said(office, enrollment).items():
        gaps = [later - earlier for earlier, later in pairwise(moments)]
        if key == "soak":
            assert len(moments) <= 2
            assert all(gap >= timedelta(hours=4) for gap in gaps)
        else:
            assert len(moments) == 1, key
    assert not any(m.state == "scheduled" for m in office.messages(enrollment))


def test_a_change_reads_as_data(office: Office) -> None:
    enrollment = office.enroll().enrollment_id
    (change,) = [c for c in office.propose(enrollment, settings={"stop_day": 7}).changes if c.what == "moved"]
    assert change == Change(
        key="ointment_stop",
        occurrence=1,
        what="moved",
        before_at=at("2026-06-15T08:00"),
        after_at=at("2026-06-17T08:00"),
        text=office.message(enrollment, "ointment_stop").text,
    )
    assert office.contacts(1) == {PHONE: "active"}
