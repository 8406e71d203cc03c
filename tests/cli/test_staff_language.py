"""What the commands print when the locale of the environment asks for Spanish; what programs read stays English."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from click.testing import CliRunner

from reminders import words
from reminders.replies.labels import SIGNS, Label
from tests import catalogs
from tests.build import LEAD
from tests.cli.terminal import PHONE, Terminal


@pytest.fixture
def spanish(terminal: Terminal) -> Iterator[Terminal]:
    """The same practice, at a terminal whose locale is Spanish."""
    terminal.enroll()
    terminal.ask("reply", "--from", PHONE, "my toe is dark and cold")
    yield Terminal(terminal.folder, terminal.clock, CliRunner(env={"COLUMNS": "200", "LANGUAGE": "es"}))
    words.speak("en")


def english_in(text: str) -> set[str]:
    """The strings of the program that stand in a text untranslated: several words each, as names may be English."""
    held = catalogs.messages_of(catalogs.read(catalogs.files()[0]))
    said = {forms[0] for forms, each in held.items() if catalogs.forms(each.string) != forms}
    return {each for each in said if " " in each.strip() and "{" not in each and each in text}


@pytest.mark.parametrize(
    ("command", "heading"),
    [
        pytest.param(("doctor",), "Resultado", id="doctor"),
        pytest.param(("procedures",), "Procedimiento", id="procedures"),
        pytest.param(("patients",), "Se le escribe a", id="patients"),
        pytest.param(("enrollments",), "Día 0", id="enrollments"),
        pytest.param(("forecast",), "Hora con más", id="forecast"),
        pytest.param(("consent", "1"), "Dirección", id="consent"),
        pytest.param(("record", "1"), "Respuestas del paciente y contestaciones", id="record"),
        pytest.param(("run", "--once"), "enviados", id="run"),
        pytest.param(("pause", "1", "--yes"), "está en pausa", id="pause"),
        pytest.param(("cancel", "1", "--reason", "x", "--yes"), "queda cancelada", id="cancel"),
    ],
)
def test_a_command_speaks_the_language_of_the_environment(
    spanish: Terminal, command: tuple[str, ...], heading: str
) -> None:
    said = spanish.run(*command)

    assert heading in said.stdout
    if command[0] not in {"record", "consent"}:  # they show what the patient and the practice wrote, which is English
        assert english_in(said.stdout) == set()


def test_a_course_is_previewed_under_headings_in_spanish(spanish: Terminal) -> None:
    said = spanish.run("preview", LEAD, "--end", "2026-03-07T15:30")

    assert "Día 0, sáb 7 mar 2026" in said.stdout
    assert "dichos en recepción" in said.stdout


def test_every_sign_and_label_of_a_reply_has_its_word_in_the_catalogs() -> None:
    held = catalogs.messages_of(catalogs.extracted())
    assert [each for each in (*SIGNS, *Label) if (each.replace("_", " "),) not in held] == []


def test_the_reading_of_a_reply_is_shown_in_spanish(spanish: Terminal) -> None:
    said = spanish.run("triage", "my toe is dark and cold")
    assert said.stdout.startswith("urgente: cambio de color, frío\n")


def test_errors_are_told_in_spanish(spanish: Terminal) -> None:
    said = spanish.run("enroll", LEAD, "--first-name", "Robin", "--phone", PHONE)
    assert "falta --end" in str(said.stderr)

    said = spanish.run("consent", "99")
    assert "no hay paciente 99" in str(said.stderr)


def test_what_programs_read_of_the_doctor_stays_english(terminal: Terminal, spanish: Terminal) -> None:
    english, read = terminal.ask("doctor"), spanish.ask("doctor")

    (draft,) = [each for each in read if each not in english]
    assert (draft["about"], draft["grade"]) == ("staff language", "note")
    assert [each for each in read if each is not draft] == english
