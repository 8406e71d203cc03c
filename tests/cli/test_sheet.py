"""`reminders sheet`: the sheet of a course that runs, with the way to the patient's page where pages are served."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.cli.terminal import Terminal

LINK = r"https://desk\.example\.org/my/1-[A-Za-z0-9_-]{22}/"


@pytest.fixture
def enrolled(terminal: Terminal) -> Terminal:
    """The terminal after Robin Example was enrolled."""
    terminal.enroll()
    return terminal


@pytest.fixture
def serving(enrolled: Terminal) -> Terminal:
    """The same, with an address under which patients reach their pages."""
    config = enrolled.folder / "config.toml"
    config.write_text(config.read_text("utf-8") + '\n[web]\naddress = "https://desk.example.org"\n', "utf-8")
    return enrolled


def test_without_an_address_the_sheet_says_nothing_of_a_page(enrolled: Terminal) -> None:
    printed = enrolled.run("sheet", "1")
    assert printed.exit_code == 0
    assert "YOUR MESSAGES, DAY BY DAY" in printed.stdout
    assert "Your page" not in printed.stdout
    refused = enrolled.run("sheet", "1", "--new-link")
    assert refused.exit_code == 2
    assert "[web]" in refused.stderr


def test_the_sheet_leads_to_the_page_by_link_and_code(serving: Terminal) -> None:
    printed = serving.run("sheet", "1").stdout
    assert re.search(LINK, printed)
    assert re.search(r"Your code: [0-9]{6}", printed)
    assert printed == serving.run("sheet", "1").stdout


def test_a_new_link_comes_with_a_new_code(serving: Terminal) -> None:
    def way(printed: str) -> tuple[str, ...]:
        return tuple(re.findall(rf"{LINK}|Your code: [0-9]+", printed))

    before = way(serving.run("sheet", "1").stdout)
    after = way(serving.run("sheet", "1", "--new-link").stdout)
    assert len(before) == len(after) == 2
    assert not set(before) & set(after)
    assert way(serving.run("sheet", "1").stdout) == after


def test_it_is_written_to_a_file_with_its_qr_code(serving: Terminal, tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    assert serving.run("sheet", "1", "--output", page).exit_code == 0
    assert "<svg viewBox" in page.read_text("utf-8")


def test_a_course_that_does_not_exist_is_refused(serving: Terminal) -> None:
    refused = serving.run("sheet", "7")
    assert refused.exit_code == 2
    assert "no enrollment 7" in refused.stderr
