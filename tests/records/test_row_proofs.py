"""What somebody exchanges between rows of the database is found by the proofs that the audit trail holds of them."""

from __future__ import annotations

import pytest
from sqlalchemy import text

from reminders.desk.audit_trail import Verified, verify
from tests.databases import database_kind
from tests.desk.conftest import Opener, office_at
from tests.desk.office import Office

__all__ = ["database_kind", "office_at"]
"""The tests run on both databases."""


@pytest.fixture
def busy(office_at: Opener) -> Office:
    """Two patients who were enrolled, written to and answered."""
    office = office_at()
    office.enroll()
    office.enroll(first_name="Ash", phone="312-555-0124", factors=("diabetes",))
    office.play("2026-06-10T20:30")
    office.reply("it is red and hot up to my ankle")
    office.reply("no pain at all", sender="+13125550124")
    return office


def found_in(office: Office) -> list[tuple[str, int]]:
    """The rows that say something else than what the trail knows of them."""
    return [(each.kind, each.id) for each in proved(office).other_rows]


def proved(office: Office) -> Verified:
    done = verify(office.database, office.desk, ())
    assert done.findings == ()
    return done


def as_owner(office: Office, *statements: str) -> None:
    with office.database.writing() as session:
        for each in statements:
            session.connection().execute(text(each))


def exchange(table: str, one: int, other: int, *columns: str) -> list[str]:
    """The statements by which the owner of a database exchanges values of two rows."""
    kept = ", ".join(columns)
    sets = ", ".join(f"{each} = (SELECT {each} FROM held WHERE held.id = {{of}})" for each in columns)
    return [
        f"CREATE TEMPORARY TABLE held AS SELECT id, {kept} FROM {table} WHERE id IN ({one}, {other})",
        f"UPDATE {table} SET {sets.format(of=other)} WHERE id = {one}",
        f"UPDATE {table} SET {sets.format(of=one)} WHERE id = {other}",
        "DROP TABLE held",
    ]


def test_rows_that_nobody_touched_are_as_the_trail_says(busy: Office) -> None:
    assert found_in(busy) == []
    assert proved(busy).rows >= 8


def test_values_exchanged_between_rows_are_found(busy: Office) -> None:
    first, *others = [each for each in busy.messages(1) + busy.messages(2) if each.state == "sent"]
    says_else = next(each for each in others if each.text != first.text)
    goes_elsewhere = next(each for each in others if each.address != first.address)
    cases = [
        ("patient", ("first_name", "last_name"), 1, 2, "patient"),
        ("enrollment", ("facts",), 1, 2, "enrollment"),
        ("reply", ("text",), 1, 2, "reply"),
        ("message", ("text",), first.id, says_else.id, "message"),
        ("message", ("address",), first.id, goes_elsewhere.id, "message"),
    ]
    for table, columns, one, other, kind in cases:
        assert one
        assert other
        swap = exchange(table, one, other, *columns)
        as_owner(busy, *swap)
        assert sorted(found_in(busy)) == [(kind, one), (kind, other)], columns
        as_owner(busy, *swap)
        assert found_in(busy) == []


@pytest.mark.parametrize("columns", [("address",), ("address", "address_key"), ("patient_id",)])
def test_addresses_of_two_patients_that_are_exchanged_are_found(busy: Office, columns: tuple[str, ...]) -> None:
    as_owner(busy, *exchange("contact", 1, 2, *columns))
    assert sorted(found_in(busy)) == [("patient", 1), ("patient", 2)]
