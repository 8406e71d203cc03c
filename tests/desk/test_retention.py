"""What was kept long enough goes, and nothing sooner; what somebody needs stays; each step leaves an entry."""

from __future__ import annotations

import sqlite3
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.desk import retention
from reminders.desk.audit_trail import verify
from reminders.desk.concerns import CallBack, close_concern
from reminders.desk.consent import record_consent
from reminders.desk.holds import place_hold, remove_hold
from reminders.desk.retention import RetentionRules, purge, what_would_go, years_before
from reminders.desk.statement import Statement
from reminders.records import audit, purging, traces
from reminders.records.audit import Wanted
from reminders.records.tables_audit import AUDIT_ENTRIES
from tests.databases import database_kind
from tests.desk.office import PHONE, Office, at

__all__ = ["database_kind"]
"""The tests run on both databases."""

SIX_YEARS = RetentionRules()
OF_PATIENTS = ("patient", "contact", "consent_event", "enrollment", "message", "message_part", "reply", "concern")
MORE_OF_PATIENTS = ("concern_event", "staff_task", "visit", "patient_page", "waiting_patient", "legal_hold")


def rows_about_patients(office: Office) -> dict[str, int]:
    """How many rows each table has that holds something of patients, but for messages to staff."""
    dumped = office.dump()
    return {name: len(dumped[name]) for name in (*OF_PATIENTS, *MORE_OF_PATIENTS)}


def actions(office: Office) -> list[str]:
    with office.database.reading() as session:
        return [each.action for each in audit.find_entries(session, office.desk.practice_id, Wanted(), limit=1000)]


def last_moment(office: Office, patient_id: int = 1) -> datetime:
    with office.database.reading() as session:
        found = traces.last_moment_of(session, patient_id)
    assert found is not None
    return found


@pytest.fixture
def over(office: Office) -> Office:
    """The practice after a course whose messages went out, with a reply, a closed concern, and no task left."""
    office.enroll()
    office.reply("it is red and hot up to my ankle")
    messages = SQLModel.metadata.tables["message"]
    sent = {"state": "sent", "transport": "file", "handed_at": messages.c.send_at, "settled_at": messages.c.send_at}
    with office.database.writing() as session:
        session.execute(update(messages).values(**sent))
    office.clock.move_to(at("2026-06-25 12:00"))
    close_all(office)
    return office


def close_all(office: Office) -> None:
    tasks = SQLModel.metadata.tables["staff_task"]
    with office.database.writing() as session:
        session.execute(update(tasks).where(tasks.c.state == "waiting").values(state="cancelled"))
    for each in office.concerns():
        if each.state != "closed":
            with office.database.writing() as session:
                close_concern(session, office.desk, each.id or 0, CallBack(outcome="reached"), by="Nora Nurse")


def test_nothing_goes_a_moment_before_its_period_is_over(over: Office) -> None:
    before = rows_about_patients(over)
    over.clock.move_to(last_moment(over).replace(year=2032))
    purge(over.database, over.desk, SIX_YEARS)
    assert rows_about_patients(over) == before


def test_all_of_a_patient_goes_when_it_is_over(over: Office) -> None:
    over.clock.move_to(last_moment(over).replace(year=2032) + timedelta(seconds=1))
    gone = purge(over.database, over.desk, SIX_YEARS)
    assert (gone["courses"], gone["patients"]) == (1, 1)
    assert set(rows_about_patients(over).values()) == {0}
    assert "purge.run" in actions(over)


def test_a_dry_run_shows_what_goes_and_deletes_nothing(over: Office) -> None:
    over.clock.move_to(last_moment(over).replace(year=2033))
    before = over.dump()
    with over.database.reading():
        found = {each.kind: each.due for each in what_would_go(over.database, over.desk, SIX_YEARS)}
    assert over.dump() == before
    assert found["courses"].count == 1
    assert found["courses"].oldest == found["courses"].newest
    assert found["audit entries"].count >= 2


def test_an_open_concern_keeps_everything_about_its_patient(over: Office) -> None:
    over.reply("it hurts more now")
    over.clock.move_to(last_moment(over).replace(year=2040))
    purge(over.database, over.desk, RetentionRules(texts=timedelta(days=30)))
    assert rows_about_patients(over)["enrollment"] == 1
    assert over.messages(1)[0].text


def test_a_legal_hold_keeps_everything_until_it_is_removed(over: Office) -> None:
    with over.database.writing() as session:
        place_hold(session, over.desk, 1, reason="letter of a court", by="Ada Admin")
    over.clock.move_to(last_moment(over).replace(year=2040))
    before = rows_about_patients(over)
    purge(over.database, over.desk, RetentionRules(texts=timedelta(days=30)))
    assert rows_about_patients(over) == before
    with over.database.writing() as session:
        remove_hold(session, over.desk, 1)
    purge(over.database, over.desk, SIX_YEARS)
    assert set(rows_about_patients(over).values()) == {0}


def test_a_course_that_still_runs_loses_nothing(office: Office) -> None:
    office.enroll()
    office.clock.advance(timedelta(days=4000))  # nobody dispatched: its messages still wait
    before = rows_about_patients(office)
    purge(office.database, office.desk, RetentionRules(texts=timedelta(days=30)))
    assert rows_about_patients(office) == before


def test_texts_go_sooner_if_wished_and_what_happened_stays(over: Office) -> None:
    before = rows_about_patients(over)
    over.clock.move_to(last_moment(over) + timedelta(days=31))
    gone = purge(over.database, over.desk, RetentionRules(texts=timedelta(days=30)))
    assert gone["texts of replies"] == 1
    assert rows_about_patients(over) == before
    assert {each.text for each in over.messages(1)} == {""}
    assert purge(over.database, over.desk, RetentionRules(texts=timedelta(days=30))) == {}


def test_texts_stay_until_their_day(over: Office) -> None:
    before = [each.text for each in over.messages(1)]
    over.clock.move_to(min(each.send_at for each in over.messages(1)) + timedelta(days=30))
    purge(over.database, over.desk, RetentionRules(texts=timedelta(days=30)))
    assert [each.text for each in over.messages(1)] == before


def test_a_stop_outlives_its_patient(over: Office) -> None:
    over.reply("STOP")
    close_all(over)
    over.clock.move_to(last_moment(over).replace(year=2033))
    purge(over.database, over.desk, SIX_YEARS)
    assert rows_about_patients(over)["contact"] == 0
    again = over.enroll(first_name="Other", last_name="Person")
    assert over.contact_states(PHONE) == ["stopped"]
    assert any("asked for no messages" in each for each in again.warnings)
    over.answers()
    assert not [each for each in over.messages(again.enrollment_id) if each.state in {"sent", "delivered"}]
    with over.database.writing() as session:
        record_consent(session, over.desk, again.patient_id, PHONE, Statement(wording="agreed", recorded_by="desk"))
    assert over.contact_states(PHONE) == ["active"]


def test_a_purge_that_is_broken_off_goes_on_where_it_stopped(over: Office) -> None:
    over.clock.move_to(last_moment(over).replace(year=2033))

    class BrokenOff(Exception):
        pass

    def stop(_kind: str, _count: int) -> None:
        raise BrokenOff

    with pytest.raises(BrokenOff):
        purge(over.database, over.desk, SIX_YEARS, tell=stop)
    assert verify(over.database, over.desk, ()).findings == ()
    purge(over.database, over.desk, SIX_YEARS)
    assert set(rows_about_patients(over).values()) == {0}
    assert verify(over.database, over.desk, ()).findings == ()


def test_old_audit_entries_go_and_the_rest_still_proves_itself(over: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "_AUDIT_AT_ONCE", 1)  # several steps, each with an entry of its own
    over.clock.move_to(last_moment(over).replace(year=2033))
    gone = purge(over.database, over.desk, SIX_YEARS)
    done = verify(over.database, over.desk, ())
    assert gone["audit entries"] >= 3
    assert done.findings == ()
    assert done.oldest == gone["audit entries"] + 1
    with over.database.reading() as session:
        oldest = session.execute(select(AUDIT_ENTRIES.c.at).order_by(AUDIT_ENTRIES.c.sequence).limit(1)).scalar_one()
    assert oldest >= SIX_YEARS.audit_before(over.clock.now())


def test_a_plan_stays_while_a_course_or_the_last_approval_goes_by_it(office: Office) -> None:
    approve = office.desk.library.get("wart-cryotherapy")
    office.enroll()
    contents = {row[0] for row in office.dump()["plan_content"]}
    office.clock.advance(timedelta(days=4000))
    purge(office.database, office.desk, SIX_YEARS)
    assert {row[0] for row in office.dump()["plan_content"]} == contents
    assert approve.content_hash not in contents


def test_every_table_that_hangs_on_a_patient_is_known_to_the_purge() -> None:
    """A new table with a foreign key to one of these must be deleted with it, and be named here."""
    hangs = {"patient", "enrollment", "message", "reply", "concern"}
    found = {
        table.name
        for table in SQLModel.metadata.tables.values()
        for key in table.foreign_keys
        if key.column.table.name in hangs
    }
    assert found <= {*OF_PATIENTS, *MORE_OF_PATIENTS}


@pytest.mark.parametrize(
    ("now", "before"),
    [
        pytest.param("2032-03-01T10:00+00:00", "2026-03-01T10:00+00:00", id="usual"),
        pytest.param("2028-02-29T10:00+00:00", "2022-02-28T10:00+00:00", id="leap-day"),
    ],
)
def test_years_are_those_of_the_calendar(now: str, before: str) -> None:
    assert years_before(datetime.fromisoformat(now), 6) == datetime.fromisoformat(before)


ages = st.integers(min_value=-60, max_value=60)
"""Days by which something is older than its period, or younger."""


@given(ended=ages, replied=ages, closed=ages, visit=ages, is_open=st.booleans())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_nothing_young_and_nothing_needed_is_ever_over(
    over: Office, ended: int, replied: int, closed: int, visit: int, is_open: bool
) -> None:
    """Whatever happened last decides, and an open concern beats any age."""
    cutoff = at("2027-01-01T12:00")

    def moment(age: int) -> datetime:
        return cutoff - timedelta(days=age, seconds=1)

    with over.database.writing() as session:
        _age(session, ended=moment(ended), replied=moment(replied), closed=None if is_open else moment(closed))
        values = {"sequence": 0, "changed_at": moment(60), "is_cancelled": False, "practice_id": over.desk.practice_id}
        visits = SQLModel.metadata.tables["visit"]
        session.execute(insert(visits).values(enrollment_id=1, starts_at=moment(visit), **values))
        courses, patients, *_ = purging.DOCUMENTATION
        goes = purging.count_due(session, courses, over.desk.practice_id, cutoff).count == 1
        if goes:
            purging.remove_courses(session, [1])
        follows = purging.count_due(session, patients, over.desk.practice_id, cutoff).count == 1
        session.rollback()
    assert goes == (not is_open and min(ended, replied, closed, visit) >= 0)
    assert follows == goes


def _age(session: Session, *, ended: datetime, replied: datetime, closed: datetime | None) -> None:
    """Let everything have happened long ago but what is named."""
    tables = SQLModel.metadata.tables
    long_ago = datetime.fromisoformat("2020-01-01T00:00+00:00")
    changes: dict[str, dict[str, Any]] = {
        "patient": {"created_at": long_ago},
        "consent_event": {"at": long_ago},
        "enrollment": {"procedure_end": long_ago, "enrolled_at": long_ago, "ended_at": ended, "state": "ended"},
        "message": {"state": "cancelled", "send_at": long_ago, "due_at": long_ago, "settled_at": long_ago},
        "reply": {"received_at": replied},
        "staff_task": {"state": "cancelled", "due_at": long_ago, "concern_id": None},
        "concern": {"opened_at": long_ago},
    }
    if closed is not None:
        changes["concern"] |= {"state": "closed", "closed_at": closed}
    else:
        changes["concern"] |= {"state": "open", "closed_at": None, "taken_by": None}
    for name, values in changes.items():
        session.execute(update(tables[name]).values(**values))


def test_what_was_deleted_is_gone_from_the_sqlite_file_and_its_log(over: Office, tmp_path: Path) -> None:
    if over.database.engine.dialect.name != "sqlite":
        return
    path = Path(str(over.database.engine.url.database))
    with sqlite3.connect(path) as raw:
        kept = [row[0] for row in raw.execute("SELECT last_name FROM patient UNION ALL SELECT text FROM message")]
    raw.close()
    sealed = [each if isinstance(each, bytes) else each.encode() for each in kept]
    assert all(len(each) > 30 for each in sealed)

    def found() -> list[bytes]:
        octets = b"".join(each.read_bytes() for each in path.parent.glob(path.name + "*"))
        return [each for each in sealed if each[:60] in octets]

    assert found()
    over.clock.move_to(last_moment(over).replace(year=2033))
    purge(over.database, over.desk, SIX_YEARS)
    assert found() == []
