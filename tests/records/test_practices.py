"""Every row carries its practice, so that a group of practices shares one database and can be split by it."""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

from alembic import command
from sqlalchemy import Connection, insert, inspect, select
from sqlmodel import SQLModel

import reminders.records
from reminders.records import schema
from reminders.records.database import Database
from reminders.records.engines import WRITES
from tests.stored import NOON, row

for _module in pkgutil.iter_modules(reminders.records.__path__):
    if _module.name.startswith("tables"):
        importlib.import_module(f"reminders.records.{_module.name}")

TABLES = SQLModel.metadata.tables
OF_NO_PRACTICE = {
    "installation": "of the database itself",
    "practice": "is one",
    "plan_content": "texts of plans by their hash, which practices may have in common; nothing about anybody",
}
BEFORE = "0018"
"""The schema before all rows did."""


def test_every_row_carries_its_practice() -> None:
    without = {name for name, table in TABLES.items() if "practice_id" not in table.c or table.c.practice_id.nullable}
    assert without == set(OF_NO_PRACTICE)


def test_rows_that_carried_none_get_that_of_what_they_hang_on(database: Database) -> None:
    for number, practice in enumerate(("main", "other"), start=1):
        _fill(database, practice, number)
    with database.writing() as session:
        segment = {"recipient": "a", "reference": 1, "total": 2, "number": 1, "data_coding": 0, "octets": b"x"}
        kept = {"practice_id": "main", "sender": "+12025550143", "received_at": NOON, "was_read": False}
        session.connection().execute(insert(TABLES["reply_part"]).values(**segment, **kept))
    before = _dump(database)
    assert {practice for table in CHANGED for practice in _practices(database, table)} == {"main", "other"}
    _step(database, BEFORE)
    with database.reading() as session:
        assert all("practice_id" not in _columns(session.connection(), table) for table in CHANGED)
    _step(database, "head")
    assert _dump(database) == before


CHANGED = (
    "concern_event",
    "message_part",
    "visit",
    "patient_page",
    "staff_session",
    "kept_form",
    "api_answer",
    "early_receipt",
    "reply_part",
)


def _fill(database: Database, practice: str, number: int) -> None:
    """Store a row of every table that did not carry its practice, and what it hangs on."""
    ids = {"id": number, "practice_id": practice}
    hours = {"started_at": NOON, "seen_at": NOON, "ends_at": NOON}
    person = {"first_name": "Robin", "last_name": "Invented", "language": "en", "zone": "UTC", "slots": {}}
    course = {"procedure": "invented", "plan_version": 1, "content_hash": "x", "facts": {}, "enrolled_by": "desk"}
    concern = {"kind": "reply", "urgency": "routine", "signs": [], "summary": "x", "state": "open"}
    sent = {"transport": "smpp", "transport_ref": f"a{number} b{number}", "handed_at": NOON, "settled_at": NOON}
    message = {**row(), **ids, "patient_id": number, "enrollment_id": number, "state": "sent", **sent}
    of_course = {"enrollment_id": number, "practice_id": practice}
    of_member = {"staff_id": number, "practice_id": practice}
    of_key = {"api_key_id": number, "practice_id": practice}
    at = {"enrolled_at": NOON, "procedure_end": NOON, "procedure_on": NOON.date()}
    member = {"login": "x", "name": "X", "license": "", "roles": [], "state": "invited", "created_at": NOON}
    receipt = {"arrival": "delivered", "detail": "", "bad_address": False, "received_at": NOON}
    key = {"name": "x", "prefix": practice, "secret_hash": "x", "scopes": [], "created_by": "x", "created_at": NOON}
    answer = {"idempotency_key": "x", "fingerprint": "x", "status": 200, "headers": {}, "body": "", "at": NOON}
    part = {"transport": "smpp", "ref": f"a{number}"}
    rows: list[tuple[str, dict[str, Any]]] = [
        ("practice", {"id": practice, "name": "Example", "created_at": NOON}),
        ("patient", {**ids, **person, "night_contact_agreed": False, "created_at": NOON}),
        ("enrollment", {**ids, **course, **at, "patient_id": number, "state": "active"}),
        ("visit", {**of_course, "starts_at": NOON, "sequence": 0, "changed_at": NOON, "is_cancelled": False}),
        ("patient_page", {**of_course, "issue": 1, "failures": 0}),
        ("message", {**message, "attempts": 1}),
        ("message_part", {**ids, **part, "message_id": number, "whole": sent["transport_ref"], "arrival": "underway"}),
        ("early_receipt", {**ids, **part, **receipt}),
        ("concern", {**ids, **concern, "patient_id": number, "opened_at": NOON, "due_at": NOON}),
        ("concern_event", {**ids, "concern_id": number, "action": "opened", "by": "desk", "note": "x", "at": NOON}),
        ("staff_member", {**ids, **member}),
        ("staff_session", {**of_member, "token_hash": practice, "csrf": "x", **hours}),
        ("kept_form", {**of_member, "path": "/", "fields": [], "kept_at": NOON}),
        ("api_key", {**ids, **key}),
        ("api_answer", {**of_key, **answer}),
    ]
    with database.writing() as session:
        for table, values in rows:
            session.connection().execute(insert(TABLES[table]).values(**values))


def _step(database: Database, version: str) -> None:
    """Bring the schema to a version, forwards or back."""
    config = schema._config()
    engine = database.engine.execution_options(**{WRITES: True})
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        (command.upgrade if version == "head" else command.downgrade)(config, version)


def _columns(connection: Connection, table: str) -> list[str]:
    return [each["name"] for each in inspect(connection).get_columns(table)]


def _practices(database: Database, table: str) -> set[str]:
    with database.reading() as session:
        return set(session.connection().execute(select(TABLES[table].c.practice_id)).scalars())


def _dump(database: Database) -> dict[str, list[dict[str, Any]]]:
    """What every table that changes holds, as the database has it, column by column."""
    with database.reading() as session:
        connection = session.connection()
        return {
            table: sorted(
                (dict(each) for each in connection.exec_driver_sql(f'SELECT * FROM "{table}"').mappings()),
                key=lambda found: str(sorted(found.items())),
            )
            for table in CHANGED
        }
