"""Signing in, one's own account, invitations, what goes out and what comes in leave entries; pages of patients too."""

from __future__ import annotations

import base64
import json
from datetime import timedelta

import pytest

from reminders.delivery.incoming import Arrival, Receipt
from reminders.delivery.receipts import Ours, apply_receipts
from reminders.desk import own_account, signing_in, staff
from reminders.desk.audit_trail import verify
from reminders.desk.one_time_codes import code_at
from reminders.desk.patient_page import give_new_link
from reminders.desk.roles import Role
from reminders.desk.settings_noted import note_settings
from reminders.desk.signing_in import Limits, SignedIn, Tried
from reminders.desk.trail import SAID, Action
from reminders.errors import InputError
from reminders.records import audit
from reminders.records.audit import Wanted
from reminders.records.audit_chain import Entry
from tests.databases import database_kind
from tests.desk.conftest import Opener
from tests.desk.office import Office
from tests.web.people import PASSWORD, employ

__all__ = ["database_kind"]
"""The tests run on both databases."""

LIMITS = Limits(idle=timedelta(minutes=20), longest=timedelta(hours=12))


def entries(office: Office, action: str = "") -> list[Entry]:
    """The entries of an action, oldest first."""
    with office.database.reading() as session:
        found = audit.find_entries(session, office.desk.practice_id, Wanted(action=action), limit=1000)
    return found[::-1]


def sign_in(office: Office, **typed: str) -> SignedIn:
    tried = Tried(**{"login": "nurse", "password": PASSWORD, **typed})
    token = signing_in.sign_in(office.database, office.desk, tried, LIMITS)
    with office.database.reading() as session:
        found = signing_in.signed_in(session, token, office.clock.now(), LIMITS)
    assert found is not None
    return found


def test_every_action_has_words() -> None:
    assert set(SAID) == set(Action)


def test_signing_in_and_out_leave_entries(office: Office) -> None:
    staff_id = employ(office, Role.NURSE)
    who = sign_in(office)
    with office.database.writing() as session:
        signing_in.sign_out(session, office.desk, who)
    found = [(each.action, each.about, each.outcome) for each in entries(office, "sign")]
    assert found == [("sign.in", f"staff {staff_id}", "done"), ("sign.out", f"staff {staff_id}", "done")]


def test_failures_and_the_lock_out_leave_entries_that_hold_nothing_typed(office: Office) -> None:
    staff_id = employ(office, Role.NURSE)
    for _ in range(signing_in.FREE_TRIES):
        with pytest.raises(InputError):
            sign_in(office, password="not the right words")
    with pytest.raises(InputError):
        sign_in(office, login="secret typed here by mistake")
    failed = [each for each in entries(office, "sign.in") if each.outcome == "failed"]
    assert [each.about for each in failed] == [f"staff {staff_id}"] * signing_in.FREE_TRIES + [""]
    assert [each.about for each in entries(office, "sign.locked")] == [f"staff {staff_id}"]
    assert "secret typed" not in str(entries(office))


def test_a_wrong_code_of_the_second_factor_leaves_an_entry(office: Office) -> None:
    employ(office, Role.NURSE)
    who = sign_in(office)
    secret = own_account.fresh_secret()
    code = code_at(base64.b32decode(secret), int(office.clock.now().timestamp()) // 30)
    own_account.set_second_factor(office.database, office.desk, who, secret, code)
    with pytest.raises(InputError):
        sign_in(office, code="000000" if code != "000000" else "000001")
    assert entries(office, "sign.in")[-1].outcome == "failed"
    own_account.remove_second_factor(office.database, office.desk, who, password=PASSWORD)
    own_account.change_password(office.database, office.desk, who, old=PASSWORD, new="five slow otters swim")
    changed = [each.action for each in entries(office, "account")]
    assert changed == ["account.factor", "account.factor_removed", "account.password"]
    assert {each.who for each in entries(office, "account")} == {str(who.staff_id)}


def test_following_an_invitation_leaves_an_entry(office: Office) -> None:
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
        assert token is not None
    newcomer = staff.Newcomer(login="ada", name="Ada Admin", roles=("administrator",))
    with office.database.writing() as session:
        staff_id = staff.follow_link(session, office.desk, token, PASSWORD, newcomer)
    (entry,) = entries(office, "staff")
    assert (entry.action, entry.about, json.loads(entry.details)) == (
        "staff.join",
        f"staff {staff_id}",
        {"roles": ["administrator"]},
    )


def test_what_goes_out_leaves_one_entry_for_each_batch(office: Office) -> None:
    enrolled = office.enroll()
    office.dispatcher.run_once()
    sent = {each.id for each in office.messages(enrolled.enrollment_id) if each.state in {"sent", "delivered"}}
    (entry,) = entries(office, "message.send")
    assert set(json.loads(entry.details)["accepted"]) == sent
    assert entry.who_kind == "program"


def test_what_receipts_tell_leaves_an_entry(office: Office) -> None:
    office.enroll()
    office.enroll(first_name="Ash", phone="312-555-0124")
    office.dispatcher.run_once()
    first, second = [each for course in (1, 2) for each in office.messages(course) if each.state == "sent"][:2]
    receipts = [
        Receipt(transport=each.transport or "", arrival=arrival, ref=each.transport_ref)
        for arrival, each in ((Arrival.DELIVERED, first), (Arrival.FAILED, second), (Arrival.DELIVERED, first))
    ]
    with office.database.writing() as session:
        ours = Ours(practice_id=office.desk.practice_id, installation=office.database.installation_name())
        apply_receipts(session, receipts, ours=ours, now=office.clock.now())
    (entry,) = entries(office, "message.receipt")
    assert json.loads(entry.details) == {"delivered": [first.id], "failed": [second.id]}


def test_what_is_withheld_leaves_an_entry(office: Office) -> None:
    office.enroll()
    office.clock.advance(timedelta(days=3))
    office.dispatcher.run_once()
    told = [json.loads(each.details) for each in entries(office, "message.send")]
    withheld = {number for each in told for number in each.get("withheld", ())}
    assert withheld == {each.id for each in office.messages(1) if each.state == "withheld" and each.settled_at}


def test_a_stop_leaves_entries_for_the_reply_and_the_consent(office: Office) -> None:
    office.enroll()
    office.reply("STOP")
    found = [(each.action, each.patient_id) for each in entries(office)]
    assert found[-2:] == [("reply.take", 1), ("consent.withdrawn", 1)]


def test_a_new_link_to_a_patients_page_leaves_an_entry(office_at: Opener) -> None:
    office = office_at(web={"address": "https://aftercare.example.org"})
    office.enroll()
    rules = office.app.page_rules
    assert rules is not None
    with office.database.writing() as session:
        give_new_link(session, office.desk, rules, 1)
    assert [(each.action, each.patient_id) for each in entries(office, "page")] == [("page.new_link", 1)]


def test_changed_settings_leave_an_entry_that_names_the_section_alone(office: Office) -> None:
    config = {"practice": {"name": "Example Foot Care"}, "contact": {"quiet": "21:00-08:00"}}
    note_settings(office.database, office.desk, config)
    assert note_settings(office.database, office.desk, config) == ()
    changed = note_settings(office.database, office.desk, {**config, "contact": {"quiet": "22:00-08:00"}})
    assert changed == ("contact",)
    first, second = entries(office, "settings.change")
    assert (first.about, second.about) == ("", "contact")
    assert "22:00" not in second.details


def test_the_chain_holds_after_a_day_of_work(office: Office) -> None:
    employ(office, Role.NURSE)
    sign_in(office)
    office.enroll()
    office.reply("it is red and hot up to my ankle")
    office.dispatcher.run_once()
    done = verify(office.database, office.desk, ())
    assert done.findings == ()
    assert done.entries == len(entries(office))
