"""A list of patients from a CSV file, by commands."""

from __future__ import annotations

from pathlib import Path

from tests.build import LEAD
from tests.cli.terminal import Terminal

HEADER = "First name,Last name,Mobile,End,Factors,Consent\n"
SOUND = "Zoë,Example,312-555-0124,3/7/2026 3:10 PM,none,yes\n"
SECOND = "Pat,Sample,(312) 555-0125,2026-03-07 15:20,diabetes,yes\n"
FAULTY = "Kim,Invented,12,tomorrow,unicorn,\n"


def enroll_file(
    terminal: Terminal, content: str | bytes, *words: str, status: int = 0, name: str = "patients.csv"
) -> dict[str, object]:
    path = terminal.folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    report: dict[str, object] = terminal.ask("enroll", LEAD, "--csv", path, "--by", "front desk", *words, status=status)
    return report


def rows(report: dict[str, object]) -> list[tuple[int, str]]:
    found = report["rows"]
    assert isinstance(found, list)
    return [(row["line"], row["state"]) for row in found]


def test_every_sound_row_is_enrolled(terminal: Terminal) -> None:
    report = enroll_file(terminal, HEADER + SOUND + SECOND)

    assert rows(report) == [(2, "enrolled"), (3, "enrolled")]
    assert terminal.counts()["enrollment"] == 2


def test_faulty_rows_are_named_with_every_problem_and_the_others_enrolled(terminal: Terminal) -> None:
    report = enroll_file(terminal, HEADER + SOUND + FAULTY + SECOND, status=1)

    assert rows(report) == [(2, "enrolled"), (3, "faulty"), (4, "enrolled")]
    found = report["rows"]
    assert isinstance(found, list)
    said = " | ".join(found[1]["problems"])
    for part in ("unicorn", "'tomorrow' is not a date and time", "'12'", "consent"):
        assert part in said
    assert (terminal.counts()["patient"], terminal.counts()["enrollment"]) == (2, 2)


def test_all_or_nothing_stores_nothing_when_a_row_is_faulty(terminal: Terminal) -> None:
    before = terminal.counts()

    report = enroll_file(terminal, HEADER + SOUND + FAULTY, "--all-or-nothing", status=2)

    assert report["stored"] is False
    assert terminal.counts() == before


def test_a_dry_run_tells_the_same_and_stores_nothing(terminal: Terminal) -> None:
    before = terminal.counts()

    report = enroll_file(terminal, HEADER + SOUND + SOUND + FAULTY, "--dry-run", status=1)

    assert rows(report) == [(2, "enrolled"), (3, "already"), (4, "faulty")]
    assert terminal.counts() == before


def test_a_list_read_twice_enrolls_nobody_twice(terminal: Terminal) -> None:
    enroll_file(terminal, HEADER + SOUND + SECOND)
    before = terminal.counts()

    report = enroll_file(terminal, HEADER + SOUND + SECOND)

    assert rows(report) == [(2, "already"), (3, "already")]
    assert terminal.counts() == before


def test_more_rows_than_one_commit_are_all_enrolled(terminal: Terminal) -> None:
    # 555-0100 to 555-0199 are reserved for fiction: more patients than numbers share some, so names differ
    many = "".join(f"First{i},Last,312-555-01{i % 100:02},2026-03-07 15:00,none,yes\n" for i in range(120))

    report = enroll_file(terminal, HEADER + many)

    assert report["enrolled"] == 120
    assert terminal.counts()["patient"] == 120


def test_a_row_may_have_factors_settings_and_a_time_of_day_of_its_own(terminal: Terminal) -> None:
    header = "first;phone;date;time;consent;factors;stop day;evening\n"
    row = "Pat;312-555-0125;03/07/2026;3:20 PM;x;diabetes, blood thinner;7;18:30\n"

    enroll_file(terminal, header + row)

    facts = terminal.ask("record", "1")["facts"]
    assert facts["factors"] == ["blood_thinner", "diabetes"]
    assert facts["settings"] == {"stop_day": 7}
    assert facts["slots"]["evening"] == "18:30"


def test_options_say_what_rows_do_not(terminal: Terminal) -> None:
    report = enroll_file(
        terminal, "first name,phone\nPat,312-555-0125\n", "--end", "2026-03-07T15:20", "--consent", "--factor=none"
    )

    assert report["enrolled"] == 1


def test_an_empty_consent_is_none_whatever_the_option_says(terminal: Terminal) -> None:
    report = enroll_file(terminal, HEADER + SECOND.replace(",yes", ","), "--consent", status=2)

    assert report["faulty"] == 1


def test_a_list_comes_from_stdin_too(terminal: Terminal) -> None:
    report = terminal.ask("enroll", LEAD, "--csv", "-", stdin=HEADER + SOUND)

    assert report["enrolled"] == 1


def test_people_read_which_line_to_correct(terminal: Terminal) -> None:
    path: Path = terminal.folder / "patients.csv"
    path.write_text(HEADER + SOUND + FAULTY, "utf-8")

    result = terminal.run("enroll", LEAD, "--csv", path)

    assert result.exit_code == 1
    assert "Not enrolled" in result.stdout
    assert "2 rows: 1 enrolled, 0 enrolled before, 1 faulty." in result.stdout


def test_windows_spreadsheet_text_is_read_and_said_so(terminal: Terminal) -> None:
    path: Path = terminal.folder / "patients.csv"
    path.write_bytes((HEADER + SOUND).encode("cp1252"))

    result = terminal.run("enroll", LEAD, "--csv", path)

    assert "Windows-1252" in result.stderr
    assert "1 row: 1 enrolled, 0 enrolled before, 0 faulty." in result.stdout
    assert terminal.ask("patients")[0]["name"] == "Zoë Example"
