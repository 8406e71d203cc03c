"""One patient at checkout, by options."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import threading
from pathlib import Path

from tests.build import LEAD
from tests.cli.terminal import PHONE, Terminal, enrollment


def test_enrolling_stores_patient_course_and_messages(terminal: Terminal) -> None:
    enrolled = terminal.enroll()

    assert (enrolled["enrollment"], enrolled["patient"], enrolled["stored"]) == (1, 1, True)
    counts = terminal.counts()
    assert (counts["patient"], counts["consent_event"], counts["enrollment"]) == (1, 1, 1)
    assert counts["message"] == sum(len(message["members"]) for message in enrolled["messages"])


def test_enrolling_tells_a_person_what_follows(terminal: Terminal) -> None:
    result = terminal.run(*enrollment())

    assert result.exit_code == 0
    assert "Enrolled Robin Example: patient 1, enrollment 1." in result.stdout
    assert "reminders messages 1" in result.stdout


def test_what_no_message_can_say_in_time_is_shown_word_for_word(terminal: Terminal) -> None:
    terminal.later("2026-03-08T03:15:00+00:00")  # 21:15 in Chicago, quiet since 21:00

    result = terminal.run(*enrollment(end="2026-03-07T21:10"))

    assert "Say at the desk" in result.stdout
    assert "warning signs" in result.stdout
    assert "say at the desk" in result.stderr


def test_factors_that_nobody_asked_for_are_a_warning(terminal: Terminal) -> None:
    enrolled = terminal.ask(*enrollment(factor=None))

    assert any("no patient factors were recorded" in warning for warning in enrolled["warnings"])


def test_a_landline_and_a_number_from_elsewhere_are_warnings_on_stderr(terminal: Terminal) -> None:
    result = terminal.run(*enrollment(phone="+44 20 7946 0123"))  # Ofcom: 020 7946 0xxx is reserved for fiction

    assert result.exit_code == 0
    assert "landline" in result.stderr
    assert "Europe/London" in result.stderr
    assert "landline" not in result.stdout


def test_a_language_whose_texts_are_a_draft_is_a_warning(terminal: Terminal) -> None:
    result = terminal.run(*enrollment(language="es"))

    assert result.exit_code == 0
    assert "the texts in es are a draft" in result.stderr


def test_a_dry_run_stores_nothing(terminal: Terminal) -> None:
    before = terminal.counts()

    enrolled = terminal.enroll("--dry-run")

    assert (enrolled["stored"], enrolled["enrollment"]) == (False, None)
    assert terminal.counts() == before


def test_the_same_patient_and_day_twice_need_again(terminal: Terminal) -> None:
    terminal.enroll()
    before = terminal.counts()

    result = terminal.run(*enrollment())

    assert result.exit_code == 2
    assert "enrollment 1" in result.stderr
    assert "--again" in result.stderr
    assert terminal.counts() == before
    assert terminal.enroll("--again")["enrollment"] == 2


def test_a_template_in_a_name_stays_a_name(terminal: Terminal) -> None:
    enrolled = terminal.enroll("--first-name", "{{ 7*7 }}{% raw %}")

    assert all("49" not in message["text"] for message in enrolled["messages"])
    assert terminal.ask("patients")[0]["name"] == "{{ 7*7 }}{% raw %} Example"


def test_who_enrolled_is_kept(terminal: Terminal) -> None:
    terminal.enroll()

    assert terminal.ask("enrollments")[0]["enrolled_by"] == "front desk"


def test_at_a_terminal_missing_facts_are_asked_for(fresh_practice: Path) -> None:
    """A real terminal: questions go to stderr, and an answer that can't be read is asked for again."""
    answers = ["Robin", "Example", "12", PHONE, "", "en", "?", "diabetes", "", "y"]
    leader, follower = pty.openpty()
    config = str(fresh_practice / "config.toml")
    process = subprocess.Popen(
        [sys.executable, "-m", "reminders", "--config", config, "enroll", LEAD, "--dry-run"],
        stdin=follower, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "COLUMNS": "200"},
    )  # fmt: skip
    os.close(follower)
    threading.Thread(target=os.write, args=(leader, "".join(f"{line}\n" for line in answers).encode())).start()
    stdout, stderr = process.communicate(timeout=60)
    os.close(leader)

    assert process.returncode == 0, stderr
    assert "Robin Example could be enrolled" in stdout
    assert "First name" in stderr
    assert "is not a number in use" in stderr
    assert "diabetes: " in stderr
    assert "First name" not in stdout


def test_no_e_mail_without_words_that_hold_the_warning(terminal: Terminal) -> None:
    mail = ("--email=robin@example.org", "--channel=email", "--consent-wording=agreed")
    people = "first_name,email,end,consent\nRobin,robin@example.org,2026-03-07 15:30,yes\n"
    for result in (
        terminal.run(*enrollment(), *mail),
        terminal.run("enroll", LEAD, "--list=-", "--channel=email", "--consent-wording=agreed", stdin=people),
    ):
        assert result.exit_code != 0
        assert "not encrypted" in result.stderr + result.stdout
    assert terminal.counts()["patient"] == 0
