"""A database as an older program left it: rows in every table, not sealed and full of a word to look for."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from alembic import command
from sqlalchemy import JSON, Boolean, Column, Date, DateTime, Integer, LargeBinary, MetaData, insert

from reminders.records import schema
from reminders.records.engines import WRITES, build_engine, parse_url
from reminders.records.sealing import sealed_tables
from tests.stored import NOON

LAST_UNSEALED = "0012"
WORD = "Quillfeather"
"""Stands in every value that is to be sealed."""

_ALONE = ("installation", "practice")
_TABLES = (
    *(*_ALONE, "patient", "contact", "consent_event", "enrollment", "reply", "message", "concern", "concern_event"),
    *("early_receipt", "reply_part", "staff_member", "kept_form", "api_key", "api_answer"),
)
_GIVEN: dict[str, dict[str, Any]] = {
    "installation": {"id": 1, "link_key": "ab" * 32, "look_up_secret": None},
    "practice": {"id": "main"},
    "contact": {"state": "active", "channel": "sms"},
    "enrollment": {"state": "active"},
    "message": {
        "state": "scheduled",
        "kind": "instruction",
        "in_doubt": "hold",
        "importance": 3,
        "channel": "sms",
        "enrollment_id": 1,
    },
    "concern": {"state": "open", "urgency": "routine"},
    "early_receipt": {"arrival": "delivered", "ref": "word"},
    "reply_part": {"number": 1, "total": 2},
    "staff_member": {"state": "active"},
}
"""What the tables themselves want."""


def older_database(url: str, *, rows: int, version: str = LAST_UNSEALED) -> None:
    """Make a database of an older schema, the last without seals unless said, with so many rows in each table."""
    parsed = parse_url(url)
    if parsed.get_backend_name() == "sqlite":
        Path(str(parsed.database)).touch(0o600)
    engine = build_engine(parsed).execution_options(**{WRITES: True})
    with engine.begin() as connection:
        config = schema._config()
        config.attributes["connection"] = connection
        command.upgrade(config, version)
        found = MetaData()
        found.reflect(connection)
        for name in (each for each in _TABLES if each in found.tables):
            numbers = range(1, 2 if name in _ALONE else rows + 1)
            connection.execute(insert(found.tables[name]), [_row(found.tables[name].columns, n) for n in numbers])
    engine.dispose()


def _row(columns: Any, number: int) -> dict[str, Any]:
    table = next(iter(columns)).table.name
    given = {"practice_id": "main"} | _GIVEN.get(table, {})
    sealed = {name for each in sealed_tables() if each.table.name == table for name in each.sealed}
    return {
        column.name: given.get(column.name, _value(column, number, is_sealed=column.name in sealed))
        for column in columns
        if column.name in given | dict.fromkeys(sealed) or not (column.nullable or column.name == "id")
    }


def _value(column: Column[Any], number: int, *, is_sealed: bool) -> Any:
    word = f"{WORD} {number}" if is_sealed else f"word {number}"
    is_instant = column.name == "at" or column.name.endswith(("_at", "_until", "_end"))
    of_kind = {
        JSON: {"said": word},
        LargeBinary: word.encode(),
        Boolean: False,
        DateTime: NOON,
        Date: date(2026, 6, 10),
        Integer: int(NOON.timestamp() * 1_000_000) if is_instant else number,
    }
    return next((value for kind, value in of_kind.items() if isinstance(column.type, kind)), word)
