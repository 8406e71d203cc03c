"""`reminders waiting`: take files in, list who waits, enroll one of them, dismiss another."""

from __future__ import annotations

from tests.build import LEAD
from tests.cli.terminal import Terminal
from tests.exchange.test_hl7_reading import A04, S12

A04_NOW = A04.replace("|20260610100000|", "|20260307150000|")


def _taken(terminal: Terminal) -> list[dict[str, object]]:
    path = terminal.folder / "told.hl7"
    path.write_text(A04_NOW + S12, "utf-8", newline="")
    found: list[dict[str, object]] = terminal.ask("waiting", "take", path)
    return found


def test_who_waits_is_enrolled_with_what_was_told(terminal: Terminal) -> None:
    assert _taken(terminal)[0]["added"] == [1, 2]
    assert [each["id"] for each in terminal.ask("waiting")] == [1, 2]
    made = terminal.ask("enroll", LEAD, "--waiting", "1", "--factor", "none", "--consent", "--by", "Alex")
    assert made["enrollment"] == 1
    record = terminal.ask("record", "1")
    assert record["patient"]["name"] == "Robin Invented"
    assert record["facts"]["procedure_end"].startswith("2026-03-07T21:30")  # half past three in Chicago
    assert [each["id"] for each in terminal.ask("waiting")] == [2]


def test_nobody_is_enrolled_without_consent_and_goes_on_to_wait(terminal: Terminal) -> None:
    _taken(terminal)
    result = terminal.run("enroll", LEAD, "--waiting", "1", "--factor", "none", "--by", "Alex")
    assert result.exit_code == 2
    assert "consent" in result.stderr
    assert len(terminal.ask("waiting")) == 2


def test_one_who_was_dismissed_is_not_enrolled(terminal: Terminal) -> None:
    _taken(terminal)
    assert terminal.run("waiting", "dismiss", "1", "--by", "Alex").exit_code == 0
    result = terminal.run("enroll", LEAD, "--waiting", "1", "--factor", "none", "--consent", "--by", "Alex")
    assert result.exit_code == 1
    assert "dismissed already" in result.stderr
    assert "Kim" in terminal.run("waiting").stdout


def test_a_faulty_file_is_told_with_its_name_and_the_sound_one_is_kept(terminal: Terminal) -> None:
    sound, faulty = terminal.folder / "a.hl7", terminal.folder / "b.hl7"
    sound.write_text(S12, "utf-8", newline="")
    faulty.write_text("hello", "utf-8")
    result = terminal.run("waiting", "take", sound, faulty)
    assert result.exit_code == 1
    assert "b.hl7: the file is neither" in result.stderr.replace("\n", " ")
    assert len(terminal.ask("waiting")) == 1
