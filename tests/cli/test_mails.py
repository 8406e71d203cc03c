"""Whole mails given to `reminders reply --email`, as a mail server's pipe does."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.terminal import PHONE, Terminal, enrollment
from tests.exchange.test_mail_reading import raw, report

ROBIN = "robin@example.org"


@pytest.fixture
def enrolled(terminal: Terminal) -> Terminal:
    """The terminal after Robin Example was enrolled for e-mails, and the first one went out."""
    terminal.ask(*enrollment(phone=None, email=ROBIN, channel="email"))
    terminal.run("run", "--once")
    return terminal


def message_id(terminal: Terminal) -> str:
    (path,) = (terminal.folder / "outbox" / "emails").iterdir()
    return next(line.split()[1] for line in path.read_text().splitlines() if line.startswith("Message-ID:"))


def test_a_mail_comes_from_stdin_and_from_a_file(enrolled: Terminal, tmp_path: Path) -> None:
    mail = raw("there is smelly pus", From="other@example.org", In_Reply_To=message_id(enrolled))
    taken = enrolled.ask("reply", "--email", stdin=mail)
    assert (taken["label"], taken["patient"], taken["new"]) == ("urgent", 1, True)
    (tmp_path / "mail.eml").write_bytes(mail)
    again = enrolled.ask("reply", "--email", tmp_path / "mail.eml")
    assert (again["new"], again["reply"]) == (False, taken["reply"])


def test_a_report_says_what_became_of_the_message(enrolled: Terminal) -> None:
    octets = report("5.1.1", original=f"Message-ID: {message_id(enrolled)}")
    assert enrolled.ask("reply", "--email", "-", stdin=octets) == {
        "report": "failed: 5.1.1: there is no such mailbox",
        "message": 1,
    }
    assert enrolled.ask("messages", "--state", "failed")[0]["key"] == "confirmation"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--email", "missing.eml"], "missing.eml can't be read"),
        (["--email", "--from", PHONE], "leave --from and --ref away"),
        (["hello"], "say who wrote"),
        (["--from", PHONE], "say who wrote and what"),
    ],
)
def test_what_does_not_fit_together_is_refused(enrolled: Terminal, words: list[str], says: str) -> None:
    result = enrolled.run("reply", *words)
    assert (result.exit_code, says in result.stderr) == (2, True)
