"""A stolen database, its log and its backups: no word of a patient stands in them, after the whole job was done."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from reminders.delivery.after_restore import WaysOut
from reminders.delivery.restoring import RestoreRules, restore
from reminders.desk import consent
from reminders.desk.concerns import CallBack, close_concern, take_concern
from reminders.desk.new_address import take_new_address
from reminders.desk.statement import Statement
from reminders.desk.waiting import take_in
from reminders.errors import InputError
from reminders.records import backup, receipts, reply_parts, staff
from reminders.records.keyring import Key, Keyring
from reminders.records.sealed_types import seals_of
from reminders.records.sealing import sealed_tables
from reminders.records.tables_staff import KeptForm, StaffMember
from tests.databases import database_kind
from tests.desk.conftest import Opener, office_at
from tests.desk.office import Office
from tests.records.traces import traces, traces_in
from tests.servers import KEYS, open_database, postgresql, url_of

__all__ = ["database_kind", "office_at"]

NUMBER, ADDRESS, STRANGER = "+13125550177", "zebedee@example.org", "+13125550188"
NEW_NUMBER = "+13125550166"
WORDS = (
    *("Zebedee", "Quillfeather", NUMBER, NUMBER[2:], NEW_NUMBER, ADDRESS),
    *("pus and it smells of xylograph", "stranger asks", "told to come to the xylotheque", "a kept xyster", "JBSWY3DP"),
    *("half a xylophone", "subscriber of xebec", "read out by Xenia", "left xiphoid heel"),
    *("Xanthippe", "Outlandish", "+13125550155", "xenolith@example.org", "Xerophile"),
)
"""What was typed, written, noted, read out and told by other systems."""
NOT_KEPT = ("19570311", "1957-03-11", "7 Xystus Street", "xystus-mrn")
"""What other systems tell besides: when and where somebody was born or lives, and their number of the patient."""
TOLD = (
    (
        "MSH|^~\\&|DESK|OFFICE|AFTERCARE|OFFICE|20260610103000-0500||ADT^A04^ADT_A01|MSG1|P|2.5.1\r"
        "PID|1||xystus-mrn||Outlandish^Xanthippe||19570311|F|||7 Xystus Street||^PRN^CP^^1^312^5550155\r"
    ),
    json.dumps(
        {
            "resourceType": "Bundle",
            "entry": [
                {
                    "resource": {
                        "resourceType": "Patient",
                        "id": "p1",
                        "identifier": [{"value": "xystus-mrn"}],
                        "name": [{"family": "Xerophile", "given": ["Kim"]}],
                        "birthDate": "1957-03-11",
                        "address": [{"line": ["7 Xystus Street"]}],
                        "telecom": [{"system": "email", "value": "xenolith@example.org"}],
                    }
                }
            ],
        }
    ),
)


@pytest.fixture
def logged(database_kind: str) -> Iterator[Path | None]:
    """The log of the server, which tells every statement with its values as long as this lasts; None for SQLite."""
    if database_kind == "sqlite":
        yield None
        return
    server = postgresql()
    server.ask("ALTER SYSTEM SET log_statement = 'all'")
    server.ask("SELECT pg_reload_conf()")
    yield server.log
    server.ask("ALTER SYSTEM RESET log_statement")
    server.ask("SELECT pg_reload_conf()")


@pytest.fixture
def office(office_at: Opener, logged: Path | None) -> Office:
    """A practice in which everything was done that holds somebody's words."""
    office = office_at()
    facts = {"first_name": "Zebedee", "last_name": "Quillfeather", "phone": "312-555-0177"}
    course = office.enroll(**facts, site="left xiphoid heel")
    office.enroll(**facts | {"phone": "", "email": ADDRESS}, channel="email", procedure="punch-biopsy", site="left arm")
    office.dispatcher.run_once()
    office.reply("there is pus and it smells of xylograph", sender=NUMBER)
    office.reply("it is worse: pus and it smells of xylograph", sender=ADDRESS, channel="email")
    office.reply("a stranger asks: is this my appointment?", sender=STRANGER)
    with office.database.writing() as session:
        for each in office.concerns():
            take_concern(session, office.desk, each.id or 0, by="N. Nurse")
            close_concern(
                session,
                office.desk,
                each.id or 0,
                CallBack(outcome="reached", note="told to come to the xylotheque"),
                by="N. Nurse",
            )
        statement = Statement(wording="read out by Xenia", recorded_by="N. Nurse")
        consent.record_consent(session, office.desk, course.patient_id, NUMBER, statement)
        person = StaffMember(
            practice_id="main",
            login="nurse",
            name="N. Nurse",
            roles=["nurse"],
            totp_secret="JBSWY3DP" * 4,
            created_at=office.clock.now(),
        )
        staff.add_member(session, person)
        form = KeptForm(
            staff_id=person.id or 0,
            practice_id="main",
            path="/staff/checkout",
            fields=[["note", "a kept xyster"]],
            kept_at=office.clock.now(),
        )
        staff.keep_form(session, form)
        part = {"recipient": "+13125550100", "reference": 7, "total": 2, "number": 1, "data_coding": 0, "shift": None}
        part = {**part, "sender": NUMBER, "octets": b"half a xylophone"}
        reply_parts.keep_segment(session, "main", part, office.clock.now())
        early = {
            "practice_id": "main",
            "transport": "smpp",
            "ref": "1",
            "arrival": "failed",
            "detail": "subscriber of xebec",
        }
        receipts.keep_early(session, [{**early, "bad_address": True, "received_at": office.clock.now()}])
        for told in TOLD:
            assert len(take_in(session, office.desk, told.encode()).added) == 1
    office.play("2026-06-12T12:00")
    with office.database.writing() as session:
        statement = Statement(wording="read out by Xenia", recorded_by="N. Nurse")
        take_new_address(session, office.desk, course.patient_id, NEW_NUMBER, statement)
    office.play("2026-06-13T12:00")
    return office


def test_no_word_of_a_patient_stands_in_the_database_its_log_or_a_backup(
    office: Office, logged: Path | None, tmp_path: Path
) -> None:
    kept = str(office.dump())
    assert [word for word in WORDS if word not in kept] == []  # all of it is there for whoever has the key
    assert [word for word in NOT_KEPT if word in kept] == []
    assert traces(url_of(office.database), (*WORDS, *NOT_KEPT)) == []
    if logged is not None:
        assert "INSERT INTO message" in logged.read_text(errors="replace")
        assert traces_in(logged, WORDS) == []
    backup.back_up(url_of(office.database), tmp_path / "copy", now=office.clock.now())
    assert traces_in(tmp_path / "copy", WORDS) == []
    assert traces_in(tmp_path / "copy.json", WORDS) == []


def test_whatever_is_found_by_a_hash_has_the_hash_of_what_it_is(office: Office) -> None:
    seals = seals_of(office.database.engine.dialect)
    hashes = 0
    for each in sealed_tables():
        for name, of in each.hashes:
            with office.database.reading() as session:
                rows = session.connection().execute(select(each.table.c[name], each.table.c[of])).all()
            assert [bytes(key) for key, _ in rows] == [seals.hash(value) for _, value in rows], each.table.name
            hashes += len(rows)
    assert hashes > 40


def test_what_waits_goes_to_the_new_number(office: Office) -> None:
    sent = [each["to"] for each in office.handed_over]
    assert NUMBER in sent
    assert sent[-1] == NEW_NUMBER
    assert sent.index(NEW_NUMBER) > max(at for at, to in enumerate(sent) if to == NUMBER)


def test_what_goes_to_patients_would_be_found(office: Office) -> None:
    assert traces_in(office.app.config.outbox_folder / "messages.jsonl", WORDS[:2] + WORDS[2:3])


def test_a_backup_comes_back_with_its_key_and_not_without(office: Office, tmp_path: Path) -> None:
    url, before = url_of(office.database), office.dump()
    backup.back_up(url, tmp_path / "copy", now=office.clock.now())
    office.database.close()

    with pytest.raises(InputError, match=f"is sealed with key {KEYS.current.id}, which is not among yours"):
        restore(url, tmp_path / "copy", _rules(office, Keyring((Key.new(),))))
    assert office.dump() == before

    office.database.close()
    done = restore(url, tmp_path / "copy", _rules(office, KEYS))
    assert done.manifest.key == KEYS.current.id
    restored = open_database(url)
    office.app.__dict__["database"] = restored
    after = office.dump()
    changed = {"installation", "concern", "concern_event", "message", "audit_entry", "audit_head"}
    assert {name: rows for name, rows in after.items() if name not in changed} == {
        name: rows for name, rows in before.items() if name not in changed
    }
    assert traces(url, WORDS) == []


def _rules(office: Office, keyring: Keyring) -> RestoreRules:
    return RestoreRules(
        ways=lambda: WaysOut(practice_id="main", transports=office.app.transports()),
        concern_due=lambda _urgency, at: at + timedelta(hours=1),
        now=office.clock.now(),
        keyring=keyring,
        replace=True,
    )
