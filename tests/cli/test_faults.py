"""How errors are told: a line on stderr, the status, and never a patient's words or a traceback unasked."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator

import click
import pytest
from sqlalchemy.exc import IntegrityError, OperationalError

from reminders.cli.faults import ENV_DEBUG, told
from reminders.cli.log_lines import log_to_stderr
from reminders.errors import ConfigError, Fault, InputError, NotFound, PlanError, StateError, Unreachable
from tests.build import PLANS


def raising(error: Exception) -> int:
    def run() -> None:
        raise error

    return told(run)


@pytest.mark.parametrize(
    ("error", "status"),
    [
        pytest.param(InputError("x"), 2, id="input"),
        pytest.param(NotFound("x"), 2, id="not found"),
        pytest.param(ConfigError("x"), 2, id="configuration"),
        pytest.param(PlanError((Fault(file=PLANS, line=1, message="x"),)), 2, id="plan"),
        pytest.param(click.UsageError("x"), 2, id="usage"),
        pytest.param(StateError("x"), 1, id="state"),
        pytest.param(Unreachable("x"), 1, id="transport"),
        pytest.param(click.exceptions.Abort(), 1, id="Ctrl-C"),
        pytest.param(PermissionError(13, "Permission denied", "outbox"), 2, id="permission"),
        pytest.param(ValueError("x"), 1, id="unexpected"),
    ],
)
def test_an_error_has_its_exit_status(error: Exception, status: int) -> None:
    assert raising(error) == status


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        ("database is locked", 1, "try again"),
        ("attempt to write a readonly database", 2, "may not be written"),
        ("database or disk is full", 1, "make room"),
        ("unable to open database file", 2, "can't be opened"),
        ("disk I/O error", 1, "check it"),
        ("something new", 1, "OperationalError"),
    ],
)
def test_what_a_database_refuses_is_told_with_what_to_do(
    words: str, status: int, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    refused = sqlite3.OperationalError(words)

    for error in (OperationalError("INSERT INTO patient", {}, refused), refused):
        assert raising(error) == status
        assert says in capsys.readouterr().err


def test_a_patients_words_are_never_told(capsys: pytest.CaptureFixture[str]) -> None:
    raising(ValueError("Robin Example"))
    raising(IntegrityError("INSERT", {"name": "Robin"}, sqlite3.IntegrityError("Robin Example")))

    told_words = capsys.readouterr().err
    assert "Robin" not in told_words
    assert "Traceback" not in told_words
    assert "ValueError" in told_words


def test_a_traceback_is_shown_on_request(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv(ENV_DEBUG, "1")

    raising(ValueError("x"))

    assert "Traceback" in capsys.readouterr().err


@pytest.fixture
def quiet_again() -> Iterator[None]:
    """Take back what `log_to_stderr` set, as the tests share one process."""
    ours, root = logging.getLogger("reminders"), logging.getLogger()
    before = (root.handlers, root.level, ours.level)
    yield
    root.handlers, root.level, ours.level = before


@pytest.mark.usefixtures("quiet_again")
def test_a_log_line_has_ids_and_the_error_s_type_only(capsys: pytest.CaptureFixture[str]) -> None:
    log_to_stderr()
    logging.getLogger("reminders.delivery").error(
        "job_failed", exc_info=ValueError("Robin Example"), extra={"job": "dispatch"}
    )

    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert line.endswith("ERROR job_failed job=dispatch error=ValueError\n")
