"""`reminders triage`: the contract for programs, and what people read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from reminders.cli import commands
from reminders.replies import Label


def triage(*words: str | Path, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(commands, ["triage", *map(str, words)], input=stdin)


def test_json_has_label_signs_and_why() -> None:
    found = json.loads(
        triage("--json", "--after", "dressing_off", "--language", "en", "it smells and I have a fever").stdout
    )

    assert set(found) == {"label", "signs", "why"}
    assert found["label"] == "urgent"
    assert set(found["signs"]) == {"smell", "fever"}
    assert {"rule", "words"} <= set(found["why"][0])


def test_what_was_asked_decides_what_a_number_means() -> None:
    assert json.loads(triage("--json", "--after", "checkin_pain", "2").stdout)["label"] == "none"
    assert json.loads(triage("--json", "--after", "checkin_pain", "9").stdout)["label"] == "urgent"


HEADER = "id,lang,after_message,text"
ROWS = "1,en,none,STOP\n2,en,checkin_pain,9\n"


def test_a_row_that_says_not_what_it_answers_takes_what_the_command_says(tmp_path: Path) -> None:
    path = tmp_path / "replies.csv"
    path.write_text("id,lang,after_message,text\na,,,8\nb,,none,8\n", encoding="utf-8")
    labels = [
        json.loads(line)["label"] for line in triage("--csv", path, "--after", "checkin_pain").stdout.splitlines()
    ]
    assert labels == ["urgent", "routine"]


def test_only_one_text_is_explained(tmp_path: Path) -> None:
    result = triage("--explain", "--csv", tmp_path / "replies.csv")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "leave out --csv" in result.stderr


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(f"{HEADER}\n{ROWS}".encode(), id="plain"),
        pytest.param(f"\ufeff{HEADER}\n{ROWS}".replace(",", ";").replace("\n", "\r\n").encode(), id="spreadsheet"),
        pytest.param(f"{HEADER}\n{ROWS}".replace(",", "\t").encode("utf-16"), id="UTF-16"),
        pytest.param(b"label,text,id,after_message,lang\nx,STOP,1,none,en\nx,9,2,checkin_pain,en\n", id="others"),
    ],
)
def test_each_row_of_a_csv_gives_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "replies.csv"
    path.write_bytes(content)

    lines = [json.loads(line) for line in triage("--csv", path).stdout.splitlines()]

    assert [(line["id"], line["label"]) for line in lines] == [("1", "stop"), ("2", "urgent")]
    assert all(set(line) == {"id", "label", "signs"} for line in lines)


def test_a_text_of_many_lines_and_any_length_is_one_row(tmp_path: Path) -> None:
    path = tmp_path / "replies.csv"
    path.write_text(f'id,lang,after_message,text\n7,en,none,"all good\n\n{"very " * 900}bad smell"\n', "utf-8")

    (line,) = triage("--csv", path).stdout.splitlines()

    assert "smell" in json.loads(line)["signs"]


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    path = tmp_path / "replies.csv"
    path.write_text("id,text\n1,STOP\n", "utf-8")

    result = triage("--csv", path)

    assert result.exit_code == 2
    assert "column lang is missing" in result.stderr
    assert "column after_message is missing" in result.stderr
    assert result.stdout == ""


def test_stdin_is_read_whatever_its_bytes() -> None:
    assert json.loads(triage("--json", "-", stdin=b"\xff\xfe I can't breathe").stdout)["label"] == "emergency"


def test_people_see_the_words_that_led_there() -> None:
    shown = triage("--explain", "no fever but it smells").stdout

    assert shown.startswith("urgent: smell")
    assert "[it smells: smell]" in shown
    assert "(fever: fever" in shown


@pytest.mark.parametrize("label", list(Label))
def test_every_label_is_one_of_the_contract(label: Label) -> None:
    # the contract for programs, word for word
    assert label in {"emergency", "urgent", "routine", "none", "stop", "start", "help", "wrong_person"}
