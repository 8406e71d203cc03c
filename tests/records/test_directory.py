"""Patients are found by a part of their name or address, although both are sealed, as soon as they are stored."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert
from sqlmodel import SQLModel

from reminders.records.database import Database
from reminders.records.directory import patients_matching, plain, read_ahead
from reminders.records.people import set_patient
from reminders.records.tables import Contact, Practice
from tests.servers import fresh_database, open_database, url_of
from tests.stored import NOON, PHONE, add_contact, add_course

_PATIENTS = SQLModel.metadata.tables["patient"]


@pytest.fixture
def filled(database: Database) -> Database:
    """A practice with one patient, Robin Invented."""
    add_course(database)
    return database


def _patient(number: int, first: str, last: str, practice_id: str = "main") -> dict[str, Any]:
    facts = {"language": "en", "zone": "America/Chicago", "slots": {}, "night_contact_agreed": False}
    names = {"id": number, "practice_id": practice_id, "first_name": first, "last_name": last, "created_at": NOON}
    return facts | names


def _add(database: Database, *rows: dict[str, Any]) -> None:
    with database.writing() as session:
        session.connection().execute(insert(_PATIENTS), rows)


def _found(database: Database, name: str = "", address: str = "") -> list[int]:
    with database.reading() as session:
        return patients_matching(session, "main", name, address, most=1000)


@pytest.mark.parametrize(
    ("name", "address"),
    [
        pytest.param("Robin", "", id="first name"),
        pytest.param("obi", "", id="a part in the middle"),
        pytest.param("robin  INV", "", id="both, in any case"),
        pytest.param("invented robin", "", id="last name first"),
        pytest.param("", PHONE, id="the whole number"),
        pytest.param("", PHONE[-7:], id="the end of the number"),
        pytest.param("", "ROBIN@example", id="a part of the e-mail address"),
        pytest.param("nobody", PHONE[-4:], id="either will do"),
    ],
)
def test_a_part_is_enough(filled: Database, name: str, address: str) -> None:
    assert _found(filled, name, address) == [1]


@pytest.mark.parametrize(("name", "address"), [("", ""), ("nobody", ""), ("", "+1999"), ("robin@example.org", "robim")])
def test_nothing_else_is_found(filled: Database, name: str, address: str) -> None:
    assert _found(filled, name, address) == []


def test_accents_do_not_count_and_the_newest_comes_first(filled: Database) -> None:
    _add(filled, _patient(2, "Zoë", "Ñandú"), _patient(3, "Zoe", "Nandu"))
    assert _found(filled, "zoe nandu") == _found(filled, "ZOË ÑANDÚ") == [3, 2]


def test_who_came_after_the_first_search_is_found(filled: Database) -> None:
    assert _found(filled, "quill") == []
    _add(filled, _patient(2, "Zebedee", "Quillfeather"))
    assert _found(filled, "quill") == [2]
    add_contact(filled, 2, "sms", "+12025550177")
    assert _found(filled, address="5550177") == [2]
    add_contact(filled, 1, "sms", "+12025550177")
    assert _found(filled, address="5550177") == [2, 1]


def test_who_was_committed_late_is_found_as_well(filled: Database) -> None:
    _add(filled, _patient(50, "Later", "Invented"))
    assert _found(filled, "invented") == [50, 1]
    _add(filled, _patient(49, "Earlier", "Invented"))
    assert _found(filled, "invented") == [50, 49, 1]


def test_a_new_name_is_found_and_the_old_one_is_not(filled: Database) -> None:
    other = open_database(url_of(filled))
    assert _found(filled, "robin") == _found(other, "robin") == [1]
    with filled.writing() as session:
        set_patient(session, 1, first_name="Zebedee")
    for database in (filled, other):
        assert _found(database, "robin") == []
        assert _found(database, "zebedee") == [1]
    other.close()


def test_the_patients_of_other_practices_are_not_found(filled: Database) -> None:
    with filled.writing() as session:
        session.add(Practice(id="north", name="Another", created_at=NOON))
    _add(filled, _patient(2, "Robin", "Elsewhere", "north"))
    with filled.writing() as session:
        session.add(Contact(practice_id="north", patient_id=2, channel="sms", address=PHONE))
    assert _found(filled, "robin", PHONE) == [1]
    with filled.reading() as session:
        assert patients_matching(session, "north", "robin", "", most=1000) == [2]


def test_what_other_databases_hold_is_not_found(filled: Database, tmp_path: Path) -> None:
    other = open_database(fresh_database("sqlite", tmp_path))
    assert _found(filled, "robin") == [1]
    assert _found(other, "robin") == []
    other.close()


@pytest.mark.parametrize(("text", "expected"), [("  Zoë   Ñandú ", "zoe nandu"), ("STRASSE", "strasse"), ("ß", "ss")])
def test_a_name_without_case_accents_and_doubled_spaces(text: str, expected: str) -> None:
    assert plain(text) == expected


@pytest.mark.parametrize("searched_first", [True, False])
def test_whoever_was_read_ahead_is_found_once(filled: Database, searched_first: bool) -> None:
    _add(filled, *(_patient(number, "Zoe", f"Number{number}") for number in range(2, 9_000)))
    if searched_first:
        assert _found(filled, "number77") != []
    with filled.reading() as session:
        while read_ahead(session, "main"):
            pass
    _add(filled, _patient(9_000, "Zoe", "Number 770"))
    assert _found(filled, "number77") == sorted((n for n in range(2, 9_000) if str(n).startswith("77")), reverse=True)
    assert _found(filled, "number 770") == [9_000]


def test_of_very_many_the_newest_are_found(filled: Database) -> None:
    _add(filled, *(_patient(number, "Zoe", "Many") for number in range(2, 9_000)))
    with filled.reading() as session:
        assert patients_matching(session, "main", "many", "", most=5) == [8999, 8998, 8997, 8996, 8995]
