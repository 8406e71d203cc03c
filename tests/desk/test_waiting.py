"""Patients whom other systems told of: kept once, written to by nobody, enrolled or dismissed by one person."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from reminders.desk import waiting
from reminders.desk.incoming_folder import take_in_files
from reminders.errors import InputError, NotFound, StateError
from tests.databases import database_kind
from tests.desk.office import Office
from tests.exchange.test_hl7_reading import A04, S12

__all__ = ["database_kind"]
"""The tests run on both databases."""


def _take_in(office: Office, content: str) -> waiting.TakenIn:
    with office.database.writing() as session:
        return waiting.take_in(session, office.desk, content.encode())


def _names(office: Office) -> list[str]:
    with office.database.reading() as session:
        return [each.name for each in waiting.list_waiting(session, office.desk)]


def _drop(folder: Path, name: str, content: str, *, seconds_ago: float = 60) -> Path:
    path = folder / name
    path.write_text(content, "utf-8", newline="")
    then = path.stat().st_mtime - seconds_ago
    os.utime(path, (then, then))
    return path


def test_who_is_told_of_waits_and_nobody_is_written_to(office: Office) -> None:
    done = _take_in(office, A04 + S12)
    assert (len(done.added), done.known, done.problems) == (2, 0, ())
    office.play("2026-06-20T12:00")
    assert _names(office) == ["Robin Invented", "Kim O&Invented"]
    assert office.handed_over == []
    assert office.dump()["enrollment"] == []


def test_who_is_told_of_twice_waits_once_also_after_it_was_decided(office: Office) -> None:
    (first,) = _take_in(office, A04).added
    assert _take_in(office, A04 + S12).known == 1
    with office.database.writing() as session:
        waiting.dismiss(session, office.desk, first, by="Alex")
    assert _take_in(office, A04).known == 1
    assert _names(office) == ["Kim O&Invented"]


def test_of_two_who_decide_the_second_is_told(office: Office) -> None:
    (one,) = _take_in(office, A04).added
    enrolled = office.enroll()
    with office.database.writing() as session:
        waiting.note_enrolled(session, office.desk, one, enrolled.enrollment_id, by="Alex")
    for again in (
        lambda session: waiting.dismiss(session, office.desk, one, by="Sam"),
        lambda session: waiting.note_enrolled(session, office.desk, one, enrolled.enrollment_id, by="Sam"),
        lambda session: waiting.one_waiting(session, office.desk, one),
    ):
        with pytest.raises(StateError, match="enrolled already: course 1"), office.database.writing() as session:
            again(session)
    with pytest.raises(NotFound), office.database.reading() as session:
        waiting.one_waiting(session, office.desk, 99)


@pytest.mark.parametrize("content", ["", "hello", "PID|1", '{"resourceType": "Patient"}'])
def test_a_file_of_another_kind_is_refused(office: Office, content: str) -> None:
    with pytest.raises(InputError):
        _take_in(office, content)
    assert _names(office) == []


def test_files_are_taken_in_once_and_nothing_of_them_stays_in_the_folder(office: Office, tmp_path: Path) -> None:
    _drop(tmp_path, "one.hl7", A04)
    _drop(tmp_path, "two.hl7", S12)
    report = take_in_files(office.database, office.desk, tmp_path)
    assert (report.files, report.added, report.known, report.refused) == (2, 2, 0, 0)
    assert list(tmp_path.glob("**/*.hl7")) == []
    _drop(tmp_path, "one.hl7", A04)
    assert take_in_files(office.database, office.desk, tmp_path).known == 1
    assert list(tmp_path.glob("**/*.hl7")) == []
    assert office.concerns() == []


def test_what_is_faulty_is_put_aside_with_its_reason_and_staff_hear_of_it_once(office: Office, tmp_path: Path) -> None:
    _drop(tmp_path, "half.hl7", A04.replace("MSG00001", "") + S12)
    _drop(tmp_path, "none.json", "{")
    report = take_in_files(office.database, office.desk, tmp_path)
    assert (report.files, report.added, report.refused) == (2, 1, 2)
    assert _names(office) == ["Kim O&Invented"]
    reasons = {path.name: path.read_text("utf-8") for path in (tmp_path / "refused").glob("*.why")}
    assert reasons["half.hl7.why"].startswith("message 1: it has no control id")
    assert "no JSON" in reasons["none.json.why"]
    (concern,) = office.concerns()
    assert concern.urgency == "routine"


def test_a_file_that_is_still_written_is_left_alone(office: Office, tmp_path: Path) -> None:
    _drop(tmp_path, "now.hl7", A04, seconds_ago=0)
    _drop(tmp_path, ".hidden.hl7", A04)
    _drop(tmp_path, "picture.png", A04)
    assert take_in_files(office.database, office.desk, tmp_path).files == 0


def test_a_fault_between_keeping_and_deleting_loses_and_doubles_nothing(
    office: Office, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _drop(tmp_path, "one.hl7", A04)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(Path, "unlink", full)
        with pytest.raises(OSError, match="No space"):
            take_in_files(office.database, office.desk, tmp_path)
    assert take_in_files(office.database, office.desk, tmp_path).known == 1
    assert _names(office) == ["Robin Invented"]


def test_what_was_told_is_sealed(office: Office) -> None:
    _take_in(office, A04.replace("Robin", "Markername"))
    with office.database.reading() as session:
        kept = session.connection().exec_driver_sql("SELECT told, reference FROM waiting_patient").one()
    assert not any(word in bytes(value) for value in kept for word in (b"Markername", b"MSG00001"))
    assert _names(office) == ["Markername Invented"]
