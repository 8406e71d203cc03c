"""A day at the desk in another language: nothing is left in English but what programs read."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from reminders import words
from reminders.replies.labels import SIGNS, Label
from tests import catalogs
from tests.build import LEAD
from tests.cli.terminal import PHONE, Terminal, enrollment
from tests.sentences import english_left_in

PATIENT = {"language": "es", "factor": "diabetes"}


pytestmark = pytest.mark.usefixtures("english_again")


def speaking(language: str, folder: Path) -> Terminal:
    return Terminal(folder, runner=CliRunner(env={"COLUMNS": "400", "LANGUAGE": language}))


@pytest.fixture
def desk(tmp_path: Path) -> Terminal:
    """A practice for trial, where drafts are used, so that what patients read is Spanish as well."""
    here = speaking("es", tmp_path)
    made = here.run("init", "--name", "Consulta", "--zone", "America/Chicago", "--phone", "312-555-0100", "--demo")
    assert made.exit_code == 0, made.stderr
    return here


def said(desk: Terminal, *typed: str) -> str:
    result = desk.run(*typed)
    return result.stdout + result.stderr


def test_a_course_from_enrollment_to_its_record(desk: Terminal) -> None:
    heard = [
        said(desk, "doctor"),
        said(desk, "procedures"),
        said(desk, "preview", LEAD, "--end", "2026-03-07T19:50", "--language", "es", "--factor", "diabetes"),
        said(desk, *enrollment(**PATIENT)),
        said(desk, "messages", "1", "--why"),
        said(desk, "replan", "1", "--visit", "2026-03-21T10:00", "--yes"),
        said(desk, "messages", "1", "--why"),
        said(desk, "run", "--once"),
        said(desk, "reply", "--from", PHONE, "tengo fiebre y la piel está roja y caliente hasta el tobillo"),
        said(desk, "reply", "--from", PHONE, "STOP"),
        said(desk, "concerns"),
        said(desk, "concerns", "take", "1", "--by", "N. Nurse"),
        said(desk, "concerns", "hand-over", "1", "--by", "N. Nurse", "--to", "D. Doctor"),
        said(desk, "pause", "1", "--concern", "1", "--reason", "vacaciones", "--yes"),
        said(desk, "concerns", "show", "1"),
        said(desk, "resume", "1", "--yes"),
        said(desk, "cancel", "1", "--reason", "error", "--by", "F. Desk", "--yes"),
        said(desk, "messages", "1", "--why"),
        said(desk, "record", "1"),
        said(desk, "digest"),
        said(desk, "consent", "1"),
        said(desk, "patients"),
        said(desk, "enrollments", "--all"),
        said(desk, "forecast"),
    ]
    assert [left for text in heard for left in english_left_in(text)] == []
    assert "Día 0, sáb 7 mar 2026" in heard[2]
    assert "por qué entonces" in heard[4].lower()
    assert "horas de silencio" in "".join(heard) or "silencio desde" in "".join(heard)
    for code in set(words.available()) - {"en", "es"}:
        there = speaking(code, desk.folder)
        read = [["messages", "1", "--why"], ["concerns", "show", "1"], ["record", "1"], ["digest"], ["consent", "1"]]
        assert [left for typed in read for left in english_left_in(said(there, *typed))] == []


@pytest.mark.parametrize(
    "typed",
    [
        pytest.param(enrollment(**{**PATIENT, "factor": "nonsense"}), id="a factor"),
        pytest.param([*enrollment(**PATIENT), "--set", "stop_day=99"], id="a setting beyond its range"),
        pytest.param([*enrollment(**PATIENT), "--set", "stop_day=soon"], id="a setting that is no number"),
        pytest.param([*enrollment(**PATIENT), "--set", "nonsense=1"], id="no such setting"),
        pytest.param(enrollment(**PATIENT, zone="Mars/North"), id="a zone"),
        pytest.param(["preview", "nonsense", "--end", "2026-03-07T10:00"], id="a procedure"),
        pytest.param(["preview", LEAD, "--end", "2026-03-07T10:00", "--quiet", "9-8"], id="quiet hours"),
        pytest.param(["messages", "7"], id="a course"),
        pytest.param(["concerns", "show", "7"], id="a concern"),
        pytest.param(["restore", "nowhere.backup"], id="a copy"),
    ],
)
def test_what_is_wrong_is_told_in_the_language_spoken(desk: Terminal, typed: list[str]) -> None:
    for code in words.available()[1:]:
        result = speaking(code, desk.folder).run(*typed)
        assert result.exit_code != 0
        assert result.stderr
        assert english_left_in(result.stderr) == []


@pytest.mark.parametrize(
    "reply",
    ["no fever, but pus and spreading redness", "STOP", "wrong number", "it was 102.4 last night", "ok thanks", "8/10"],
)
def test_what_was_found_in_a_reply_is_told_in_the_language_spoken(desk: Terminal, reply: str) -> None:
    for code in words.available()[1:]:
        there = speaking(code, desk.folder)
        assert english_left_in(said(there, "triage", "--explain", reply) + said(there, "triage", reply)) == []


def test_the_reading_of_a_reply_is_shown_in_the_language_spoken(desk: Terminal) -> None:
    assert said(desk, "triage", "my toe is dark and cold").startswith("urgente: cambio de color, frío\n")


def test_every_sign_and_label_of_a_reply_has_its_word_in_the_catalogs() -> None:
    held = catalogs.messages_of(catalogs.extracted())
    assert [each for each in (*SIGNS, *Label) if (each.replace("_", " "),) not in held] == []


def test_what_programs_read_of_the_doctor_stays_english(terminal: Terminal) -> None:
    english, read = terminal.ask("doctor"), speaking("es", terminal.folder).ask("doctor")
    (draft,) = [each for each in read if each not in english]
    assert (draft["about"], draft["grade"]) == ("staff language", "note")
    assert [each for each in read if each is not draft] == english
