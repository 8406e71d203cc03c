"""Consent is given, withdrawn, released and given again, and its history only ever grows."""

from __future__ import annotations

import json

import pytest

from reminders.desk.chart_record import chart_record
from reminders.desk.checkout import CONSENT
from reminders.desk.consent import Address, record_consent, restart, withdraw_consent
from reminders.desk.enroll import STANDARD_CONSENT
from reminders.desk.new_address import take_new_address, use_address
from reminders.desk.patient_export import export_patient
from reminders.desk.record_as_fhir import record_as_fhir
from reminders.desk.record_page import record_page
from reminders.desk.statement import Statement
from reminders.errors import InputError, NotFound
from reminders.records.people import mark_unreachable
from tests.desk.office import PHONE, Office

NEW = "+13125550177"
SAID = Statement(wording="said so by telephone", recorded_by="Ada")


@pytest.fixture
def enrolled(office: Office) -> Office:
    """The practice with one patient, whose confirmation went out."""
    office.enroll(email="robin@example.org")
    office.answers()
    return office


def give(office: Office, address: str, patient: int = 1, said: Statement = SAID) -> tuple[str, ...]:
    with office.database.writing() as session:
        return record_consent(session, office.desk, patient, address, said)


def withdraw(office: Office, channel: str, patient: int = 1) -> int:
    with office.database.writing() as session:
        return withdraw_consent(session, office.desk, patient, channel, SAID)


def rows(office: Office) -> list[tuple[object, ...]]:
    return office.dump()["consent_event"]


def test_the_words_read_out_at_the_desk_are_kept(enrolled: Office) -> None:
    assert [row[6:8] for row in rows(enrolled)] == [("desk", STANDARD_CONSENT)] * 2


def test_the_history_only_grows(enrolled: Office) -> None:
    seen = rows(enrolled)
    for step in (
        lambda: enrolled.reply("STOP"),
        lambda: enrolled.reply("START"),
        lambda: withdraw(enrolled, "sms"),
        lambda: give(enrolled, "312-555-0123"),
        lambda: enrolled.reply("wrong number"),
        lambda: give(enrolled, "312-555-0177"),
        lambda: withdraw(enrolled, "email"),
    ):
        step()
        now = rows(enrolled)
        assert now[: len(seen)] == seen
        assert len(now) > len(seen)
        seen = now
    assert [each[0] for each in enrolled.consents(1)] == [
        *("given", "given", "withdrawn", "given", "withdrawn", "given", "released", "given", "withdrawn")
    ]


def test_withdrawn_for_one_channel_the_other_goes_on(enrolled: Office) -> None:
    assert withdraw(enrolled, "sms") == 1
    assert enrolled.contacts(1) == {PHONE: "stopped", "robin@example.org": "active"}
    before = len(enrolled.texts)
    enrolled.play("2026-06-30T12:00")
    assert len(enrolled.texts) == before


def test_given_again_the_messages_that_are_still_ahead_go_out(enrolled: Office) -> None:
    withdraw(enrolled, "sms")
    enrolled.play("2026-06-12T12:00")
    give(enrolled, "+1 312 555 0123")
    enrolled.play("2026-06-12T13:00")
    assert "Clear or pale yellow fluid" in enrolled.texts[-1]


def test_a_new_number_comes_with_the_warnings_of_the_desk(enrolled: Office) -> None:
    (landline,) = [each for each in give(enrolled, "+44 20 7946 0018") if "landline" in each]
    assert landline
    assert enrolled.contacts(1)["+442079460018"] == "active"


def test_staff_may_record_that_a_released_number_is_the_patient_s_after_all(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    give(enrolled, "312-555-0123")
    assert enrolled.contacts(1)[PHONE] == "active"
    assert enrolled.consents(1)[-1] == ("given", PHONE, "Ada")


def test_a_released_number_is_not_restarted_by_its_holder(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    with enrolled.database.writing() as session:
        where = Address(practice_id="main", channel="sms", address=PHONE)
        assert restart(session, where, wording="START", at=enrolled.clock.now()) == ()
    assert enrolled.contacts(1)[PHONE] == "released"


def test_a_released_number_stays_released_whatever_staff_record_of_others(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    with enrolled.database.writing() as session:
        take_new_address(session, enrolled.desk, 1, NEW, SAID)
    withdraw(enrolled, "sms")
    assert enrolled.contacts(1) == {PHONE: "released", NEW: "stopped", "robin@example.org": "active"}
    assert enrolled.reply("START").answered_with is None
    assert enrolled.contacts(1)[PHONE] == "released"
    with pytest.raises(InputError, match="not this patient's"):
        enrolled.enroll()


def test_after_a_wrong_number_what_waits_goes_to_the_right_one(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    enrolled.answers()
    with enrolled.database.writing() as session:
        use_address(session, enrolled.desk, 1, NEW, SAID)
    before = len(enrolled.handed_over)
    enrolled.play("2026-06-12T13:00")
    assert {each["to"] for each in enrolled.handed_over[before:]} == {NEW}


def test_only_a_released_number_leaves_nothing_to_withdraw(enrolled: Office) -> None:
    enrolled.reply("wrong number")
    with pytest.raises(NotFound, match="no address for sms"):
        withdraw(enrolled, "sms")


def test_who_writes_from_a_number_that_seemed_dead_is_answered_and_can_stop_and_start(enrolled: Office) -> None:
    with enrolled.database.writing() as session:
        mark_unreachable(session, "main", "sms", PHONE)
    enrolled.play("2026-06-10T23:00")
    enrolled.reply("there is pus and it smells")
    assert "312-555-0199 now" in enrolled.answers()[-1]
    for word, state in (("STOP", "stopped"), ("START", "active")):
        assert enrolled.reply(word).answered_with in {"answer_stopped", "answer_started"}
        assert enrolled.contacts(1)[PHONE] == state


@pytest.mark.parametrize("address", ["12", "nobody", "robin@", "@example.org", "a b@example.org"])
def test_what_is_no_address_is_refused(enrolled: Office, address: str) -> None:
    before = enrolled.dump()
    with pytest.raises(InputError):
        give(enrolled, address)
    assert enrolled.dump() == before


def test_consent_of_nobody_is_refused(enrolled: Office) -> None:
    with pytest.raises(NotFound, match="no patient 77"):
        give(enrolled, "312-555-0123", patient=77)
    with pytest.raises(NotFound, match="no address for email"):
        withdraw(enrolled, "email", patient=77)
    with pytest.raises(InputError, match="no channel 'fax'"):
        withdraw(enrolled, "fax")


def test_a_long_statement_is_kept_cut(enrolled: Office) -> None:
    enrolled.reply("please stop texting me " + "because " * 500)
    assert len(str(rows(enrolled)[-1][7])) == 500


BY_MAIL = {"email": "robin@example.org", "channel": "email"}


@pytest.mark.parametrize("facts", [BY_MAIL, {"email": "robin@example.org"}], ids=["by e-mail", "an address beside"])
@pytest.mark.parametrize("wording", ["agreed", "", "it goes to my mailbox"])
def test_nobody_is_enrolled_for_e_mail_without_the_warning(office: Office, facts: dict[str, str], wording: str) -> None:
    """78 FR 5566 at 5634 (from memory): e-mail may be unencrypted when the patient was warned and wants it."""
    before = office.dump()
    with pytest.raises(InputError, match="not encrypted") as caught:
        office.enroll(**facts, consent_wording=wording)
    assert [getattr(each, "field", "") for each in caught.value.problems] == ["consent_wording"]
    assert office.dump() == before


def test_a_text_message_needs_no_warning_about_e_mail(office: Office) -> None:
    assert office.enroll(consent_wording="agreed").patient_id == 1


@pytest.mark.parametrize(
    "wording",
    [
        STANDARD_CONSENT,
        CONSENT,
        "Told that e-mails are unencrypted",
        "Se le dijo que los correos no van cifrados",
        "已告知电子邮件未加密",
        "Сказали, что письма не зашифрованы",
        "Đã nói rằng email không được mã hóa",
    ],
)
def test_words_that_hold_the_warning_are_kept_as_they_are(office: Office, wording: str) -> None:
    office.enroll(**BY_MAIL, phone="", consent_wording=wording)
    (kept,) = rows(office)
    assert wording in kept


def test_a_new_address_for_e_mail_needs_the_warning_too(enrolled: Office) -> None:
    before = enrolled.dump()
    with pytest.raises(InputError, match="not encrypted"):
        give(enrolled, "other@example.org", said=SAID)
    assert enrolled.dump() == before


def test_record_and_export_hold_the_warning_that_was_read_out(office: Office) -> None:
    enrolled = office.enroll(**BY_MAIL, phone="", consent_wording=CONSENT)
    with office.database.reading() as session:
        record = chart_record(session, office.desk, enrolled.enrollment_id)
        export = export_patient(session, office.desk, enrolled.patient_id)
    for shown in (
        record_page(record, made_at=office.clock.now()),
        json.dumps(record_as_fhir(office.desk, record), default=str),
        json.dumps(export, default=str),
    ):
        assert "They are not encrypted" in shown
