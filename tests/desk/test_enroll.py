"""Enrolling at the desk: all or nothing, every problem named, and what staff have to say themselves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select

from reminders.desk.approve import Approver, approve
from reminders.desk.enroll import enroll
from reminders.errors import InputError, NotFound, PlanError
from reminders.records.tables import Patient
from tests.build import LEAD
from tests.desk.office import PHONE, Office, wall

Opener = Callable[..., Office]

LANDLINE = "+44 20 7946 0018"
"""From the range that Ofcom keeps free for drama; London numbers are geographic, and so landlines."""


def test_an_enrollment_stores_patient_consent_contacts_course_and_messages(office: Office) -> None:
    before = office.dump()
    enrolled = office.enroll(email="robin@Example.ORG", last_name="Invented")
    after = office.dump()
    added = {name: len(rows) - len(before[name]) for name, rows in after.items() if len(rows) != len(before[name])}
    assert added == {
        "patient": 1,
        "contact": 2,
        "consent_event": 2,
        "enrollment": 1,
        "plan_content": 1,
        "message": len(office.messages(enrolled.enrollment_id)),
        "audit_entry": 1,
        "audit_head": 1,
    }
    assert office.contacts(enrolled.patient_id) == {PHONE: "active", "robin@example.org": "active"}


def test_a_healthy_patient_gets_the_day_s_messages_at_the_plan_s_times(office: Office) -> None:
    enrolled = office.enroll()
    # common practice, no source: 24 h, twice daily, day 5, and an hour before a block of eight hours wears off
    assert office.moments(enrolled.enrollment_id, "pain_relief") == ["2026-06-10 17:30"]
    assert office.moments(enrolled.enrollment_id, "dressing_off") == ["2026-06-11 10:30"]
    soaks = office.moments(enrolled.enrollment_id, "soak")
    assert Counter(each[-5:] for each in soaks) == {"19:00": 4, "08:00": 3}
    assert office.moments(enrolled.enrollment_id, "ointment_stop") == ["2026-06-15 08:00"]
    assert enrolled.warnings == ()
    assert enrolled.say_at_desk == ()


REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "no-number": ({"phone": ""}, "a mobile number is needed"),
    "no-such-number": ({"phone": "555-0123"}, "is not a number in use in the US and Canada"),
    "too-many-digits": ({"phone": "312-555-01234"}, "not a number in use"),
    "words-for-a-number": ({"phone": "ask her son"}, "is not a telephone number"),
    "extension": ({"phone": "312-555-0123 ext 4"}, "has an extension"),
    "email-channel-without-address": ({"channel": "email"}, "an e-mail address is needed"),
    "no-email-address": ({"channel": "email", "email": "robin at example.org"}, "is not an e-mail address"),
    "second-line-in-address": ({"email": "robin@example.org\nBcc: all@example.org"}, "is not an e-mail address"),
    "unknown-zone": ({"zone": "Chicago"}, "is not a time zone"),
    "zone-that-is-a-path": ({"zone": "../../etc/passwd"}, "is not a time zone"),
    "unknown-language": ({"language": "tlh"}, "has no texts in 'tlh'"),
    "unknown-channel": ({"channel": "fax"}, "no channel 'fax'"),
    "no-consent": ({"consent": False}, "consent to be written to is missing"),
    "no-first-name": ({"first_name": "  "}, "the first name is missing"),
    "hidden-character": ({"first_name": "Ro\u202ebin"}, "can't be shown"),
    "endless-name": ({"last_name": "n" * 10_000}, "at most 80 are kept"),
    "no-time": ({"end": "2026-06-10"}, "needs a time of day"),
    "no-date": ({"end": "this morning"}, "is not a date and time"),
    "no-such-day": ({"end": "2026-02-30T10:30"}, "is not a date and time"),
    "tomorrow": ({"end": "2026-06-11T10:30"}, "more than 12 h from now"),
    "last-month": ({"end": "2026-05-01T10:30"}, "more than 30 days ago"),
    "block-after-the-end": ({"block_placed": "2026-06-10T11:30"}, "not after it"),
    "visit-before": ({"visit": "2026-06-09T10:00"}, "the visit lies after the procedure"),
    "unknown-factor": ({"factors": ("left-handed",)}, "no patient factor 'left-handed'"),
    "unknown-setting": ({"settings": {"soaks": "3"}}, "has no setting 'soaks'"),
    "setting-out-of-range": ({"settings": {"stop_day": "40"}}, "stop_day"),
    "stop-day-before-dressing-off": (
        {"settings": {"stop_day": "3", "first_dressing_hours": "120"}},
        "must be a later day than first dressing off",
    ),
    "unknown-slot": ({"slots": {"teatime": "17:00"}}, "no time of day 'teatime'"),
    "odd-slot": ({"slots": {"evening": "7 p"}}, "is not a time of day"),
}


@pytest.mark.parametrize(("facts", "problem"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_refused_leaves_the_database_untouched(office: Office, facts: dict[str, Any], problem: str) -> None:
    office.enroll(first_name="Someone", last_name="Else", phone="312-555-0177")
    before = office.dump()
    with pytest.raises(InputError, match=problem):
        office.enroll(**facts)
    assert office.dump() == before


def test_a_caller_who_goes_on_in_the_same_transaction_stores_nothing_of_what_was_refused(office: Office) -> None:
    # as an import does that skips faulty rows; both faults are found only after the input itself was read
    office.enroll()
    before = office.dump()
    late = office.given(first_name="Kim", settings={"stop_day": "3", "first_dressing_hours": "120"})
    with office.database.writing() as session:
        for given in (office.given(), late):
            with pytest.raises(InputError):
                enroll(session, office.desk, given)
    assert office.dump() == before


def test_an_unknown_procedure_is_refused(office: Office) -> None:
    with pytest.raises(NotFound, match="no procedure 'tooth'"):
        office.enroll(procedure="tooth")


def test_every_problem_is_named_at_once(office: Office) -> None:
    with pytest.raises(InputError) as caught:
        office.enroll(phone="12", email="nobody", zone="Mars/Base", language="xx", first_name="", consent=False)
    assert len(caught.value.problems) == 6


def test_an_unapproved_plan_is_refused_outside_demo_mode(office_at: Opener) -> None:
    office = office_at(demo=False)
    before = office.dump()
    with pytest.raises(InputError, match="reminders approve partial-nail-avulsion-chemical"):
        office.enroll()
    assert office.dump() == before


def test_an_approved_plan_is_accepted_and_sent(office_at: Opener) -> None:
    office = office_at(demo=False)
    with office.database.writing() as session:
        approve(session, office.desk, LEAD, Approver(name="A. Clinician (invented)", license="IL-0000"))
    office.enroll()
    assert len(office.answers()) == 1


def test_a_draft_translation_gives_way_to_the_practices_language_and_staff_are_told(office_at: Opener) -> None:
    office = office_at(demo=False)
    with office.database.writing() as session:
        approve(session, office.desk, LEAD, Approver(name="A. Clinician (invented)", license="IL-0000"))
    enrolled = office.enroll(language="es")
    assert any("texts in es are a draft" in each and "written to in en" in each for each in enrolled.warnings)
    assert {message.language for message in office.messages(enrolled.enrollment_id)} == {"en"}


def test_a_language_without_texts_falls_back_and_staff_are_told(office: Office) -> None:
    enrolled = office.enroll(language="vi-VN")
    assert any("texts in vi-VN do not exist" in each for each in enrolled.warnings)
    assert {message.language for message in office.messages(enrolled.enrollment_id)} == {"en"}


def test_a_draft_is_sent_in_demo_mode_without_a_warning(office: Office) -> None:
    enrolled = office.enroll(language="es-MX")
    assert not any("texts in" in each for each in enrolled.warnings)
    assert {message.language for message in office.messages(enrolled.enrollment_id)} == {"es"}


def test_a_language_that_does_not_exist_is_refused(office: Office) -> None:
    before = office.dump()
    with pytest.raises(InputError, match="no texts in 'klingon'"):
        office.enroll(language="klingon")
    assert office.dump() == before


def test_the_same_procedure_and_day_twice_is_refused_unless_meant(office: Office) -> None:
    first = office.enroll()
    before = office.dump()
    with pytest.raises(InputError, match=f"has enrollment {first.enrollment_id} for the same procedure and day"):
        office.enroll()
    assert office.dump() == before
    second = office.enroll(again=True)
    assert second.patient_id == first.patient_id
    assert second.enrollment_id != first.enrollment_id


WARNED: dict[str, tuple[dict[str, Any], str]] = {
    "number-of-another-zone": (
        {"zone": "America/Los_Angeles"},
        "the number belongs to America/Chicago, but the patient's zone is America/Los_Angeles",
    ),
    "landline": ({"phone": LANDLINE, "zone": "Europe/London"}, "this is a landline number"),
    "no-factors": ({"factors": ()}, "no patient factors were recorded"),
    "blank-factors": ({"factors": (" ", "")}, "no patient factors were recorded"),
}


@pytest.mark.parametrize(("facts", "warning"), WARNED.values(), ids=WARNED.keys())
def test_what_looks_odd_is_accepted_with_a_warning(office: Office, facts: dict[str, Any], warning: str) -> None:
    enrolled = office.enroll(**facts)
    assert [warning in each for each in enrolled.warnings] == [True]


def test_a_number_in_a_zone_with_the_same_time_gives_no_warning(office: Office) -> None:
    # Winnipeg has Chicago's time, and a number does not say in which of the two its owner lives
    assert office.enroll(zone="America/Winnipeg").warnings == ()


def test_unasked_factors_make_the_patient_call_about_pain_relief(office: Office) -> None:
    enrolled = office.enroll(factors=())
    assert office.course(enrolled.enrollment_id).factors == {"history_unknown"}
    assert office.message(enrolled.enrollment_id, "pain_relief").text_name == "pain_relief_ask_us"


def test_the_answer_none_to_the_question_for_factors_is_an_answer(office: Office) -> None:
    enrolled = office.enroll(factors=("None",))
    assert office.course(enrolled.enrollment_id).factors == frozenset()
    assert office.message(enrolled.enrollment_id, "pain_relief").text_name == "pain_relief"


def test_when_no_medicine_may_be_named_staff_get_the_task_in_time(office: Office) -> None:
    enrolled = office.enroll(factors=("warfarin", "liver"))
    assert office.message(enrolled.enrollment_id, "pain_relief").text_name == "pain_relief_ask_us"
    (task,) = office.concerns()
    assert (task.kind, task.urgency, task.patient_id) == ("task", "routine", enrolled.patient_id)
    assert wall(task.due_at) == "2026-06-10 18:30"  # the end of the procedure and eight hours of block
    assert [event.action for event in office.history(task.id or 0)] == ["opened"]


def test_one_barred_medicine_needs_no_task(office: Office) -> None:
    enrolled = office.enroll(factors=("antiplatelet",))
    assert office.message(enrolled.enrollment_id, "pain_relief").text_name == "pain_relief_acetaminophen"
    assert office.concerns() == []


def test_after_an_evening_procedure_the_desk_says_what_no_message_can(office_at: Opener) -> None:
    # The block wears off at 04:50. Quiet hours begin at 21:00, and the last moment before them was 20:45.
    office = office_at("2026-06-10T20:50")
    enrolled = office.enroll()
    assert [each.joined.first.key for each in enrolled.say_at_desk] == ["warning_signs", "pain_relief"]
    assert any("say at the desk" in each and "pain_relief" in each for each in enrolled.warnings)
    spoken = office.message(enrolled.enrollment_id, "pain_relief")
    assert spoken.state == "at_checkout"
    (at_desk,) = office.answers()
    assert "ibuprofen" in at_desk
    office.play("2026-06-11T09:00")
    assert [wall(m.send_at) for m in office.messages(enrolled.enrollment_id) if m.state == "sent"] == [
        "2026-06-10 20:50",
        "2026-06-10 20:52",
    ]


def test_a_late_enrollment_sends_what_is_still_useful_and_withholds_the_rest(office_at: Opener) -> None:
    office = office_at("2026-06-12T09:15")
    enrolled = office.enroll(end="2026-06-10T10:30")
    messages = office.messages(enrolled.enrollment_id)
    withheld = [(m.key, m.occurrence) for m in messages if m.state == "withheld"]
    # what to do the first evening is useful for three hours; who writes and how to stop is said however late
    assert set(withheld) >= {("pain_relief", 1), ("rest_first_evening", 1), ("dressing_off", 1)}
    assert all(m.reasons[-1]["rule"] == "withheld" for m in messages if m.state == "withheld")
    first = next(m for m in messages if m.state == "scheduled")
    assert (first.key, wall(first.send_at)) == ("confirmation", "2026-06-12 09:15")
    soak = next(m for m in messages if m.state == "joined")
    assert (soak.key, soak.joined_into) == ("soak", "confirmation:1")  # due at 08:00, useful until 11:00
    assert enrolled.say_at_desk == ()


def test_a_known_patient_is_found_again_by_name_and_number(office_at: Opener) -> None:
    office = office_at()
    first = office.enroll(first_name="Zoë", last_name="Ångström")
    office.play("2026-06-26T10:00")
    again = office.enroll(first_name="ZOË", last_name="Ångström", phone="+1 (312) 555-0123", email="z@example.org")
    assert again.patient_id == first.patient_id
    assert office.contacts(first.patient_id) == {PHONE: "active", "z@example.org": "active"}
    assert len(office.consents(first.patient_id)) == 3


def test_a_known_patient_is_found_by_the_email_address_too(office: Office) -> None:
    first = office.enroll(email="robin@example.org", channel="email")
    office.play("2026-06-26T10:00")
    again = office.enroll(phone="312-555-0188", email="Robin@Example.org")
    assert again.patient_id == first.patient_id


def test_relatives_who_share_a_number_are_different_patients(office: Office) -> None:
    mother = office.enroll(first_name="Robin")
    child = office.enroll(first_name="Kim", factors=("child",))
    assert mother.patient_id != child.patient_id
    assert office.contact_states() == ["active", "active"]


def test_a_known_patient_s_present_wishes_replace_the_earlier_ones(office: Office) -> None:
    first = office.enroll()
    office.play("2026-06-26T10:00")
    office.enroll(night_contact_agreed=True, slots={"evening": "18:30"}, zone="America/Denver", language="es")
    with office.database.reading() as session:
        patient = session.execute(select(Patient).where(Patient.id == first.patient_id)).scalar_one()  # type: ignore[arg-type]
    assert (patient.zone, patient.language) == ("America/Denver", "es")
    assert (patient.night_contact_agreed, patient.slots["evening"]) == (True, "18:30")


def test_by_email_every_message_has_a_subject_and_no_segments(office: Office) -> None:
    enrolled = office.enroll(phone="", email="robin@example.org", channel="email")
    written = [m for m in office.messages(enrolled.enrollment_id) if m.state == "scheduled"]
    assert {(m.channel, m.address, m.segments, m.encoding) for m in written} == {
        ("email", "robin@example.org", 0, None)
    }
    assert all(m.subject and m.markdown for m in written)
    office.dispatcher.run_once()
    assert [each["channel"] for each in office.handed_over] == ["email"]


def test_a_number_that_its_holder_gave_back_is_not_taken_again_unasked(office: Office) -> None:
    first = office.enroll()
    office.dispatcher.run_once()
    office.reply("wrong number")
    before = office.dump()
    with pytest.raises(InputError, match="wrote that it is not this patient's"):
        office.enroll(again=True)
    assert office.dump() == before
    assert office.contacts(first.patient_id) == {PHONE: "released"}


def test_a_number_given_back_by_its_holder_draws_a_warning_for_somebody_else(office: Office) -> None:
    office.enroll()
    office.dispatcher.run_once()
    office.reply("wrong number")
    holder = office.enroll(first_name="Alex")
    assert any("once wrote that it is not another patient's" in each for each in holder.warnings)
    assert office.contacts(holder.patient_id) == {PHONE: "active"}


def test_a_faulty_plan_stops_enrollment_with_its_faults(office_at: Opener, tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("templates")
    (folder / "invented").mkdir()
    (folder / "invented" / "plan.toml").write_text("title = 3\n")
    office = office_at(templates=folder)
    with pytest.raises(PlanError, match=r"plan\.toml"):
        office.enroll(procedure="invented")


@pytest.mark.parametrize(
    "name",
    ["{{ 7 * 7 }}", "{% raw %}", "{{ practice_name.__class__ }}", "<script>alert(1)</script>", "O'Brien; DROP TABLE"],
)
def test_a_name_is_never_more_than_a_name(office: Office, name: str) -> None:
    enrolled = office.enroll(first_name=name, phone="", email="robin@example.org", channel="email")
    (message,) = [m for m in office.messages(enrolled.enrollment_id) if m.key == "confirmation"]
    assert f"Hello {name}," in message.text
    assert "<script>" not in (message.markdown or "")
