"""What is wrong with a plan's texts is found before one is sent: each fault with its file and line, all at once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from reminders.care.loading import load_plan
from reminders.wording.render import Wording
from tests.build import LEAD, PLANS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the lead plan whose texts may be spoilt."""
    shutil.copytree(PLANS / LEAD, tmp_path / LEAD)
    shutil.copytree(PLANS / "shared", tmp_path / "shared")
    return tmp_path / LEAD


FAULTS = {
    "syntax": ("en/soak.sms.j2", "Soak.\n{% if %}", 2, "Expected an expression"),
    "open block": ("en/soak.sms.j2", "Soak.\n\n{% if at_desk %}", 3, "Unexpected end of template"),
    "unknown value": ("en/soak.sms.j2", "Soak\n{{ pacient }}.", 2, "no value 'pacient'"),
    "unknown value in a condition": ("es/soak.sms.j2", "{% if cold %}x{% endif %}", 1, "no value 'cold'"),
    "unknown filter": (
        "en/soak.sms.j2",
        "Soak\n\n{{ send_at | klock }}",
        3,
        "there is no filter by the name of 'klock'",
    ),
    "condition nobody has": ("en/soak.sms.j2", '{{ 1 if "ulcerr" in has else 2 }}', 1, "'ulcerr' is not in"),
    "condition not listed": ("en/soak.sms.j2", '\n{{ 1 if "ulcer" in has else 2 }}', 2, "'ulcer' is not in"),
    "condition asked otherwise": ("en/soak.sms.j2", "Soak\n{{ has }}", 2, "in no other way"),
    "include of nothing": ("en/soak.sms.j2", '{% include "nothing.j2" %}', 0, "soak.sms.j2 includes it"),
    "include by a value": ("en/soak.sms.j2", "Soak\n{% include chemical %}", 2, "one file, in quotes"),
    "included file": ("en/cover.j2", "a\nb {{ cover }}", 2, "no value 'cover'"),
    "no subject": ("en/soak.email.j2", "Soak now.\n\nSoak.", 1, "its subject"),
    "no empty line": ("en/soak.email.j2", "Subject: Now\nSoak.", 2, "an empty line"),
    "no body": ("en/soak.email.j2", "Subject: Now\n\n", 0, "says nothing"),
    "line of an e-mail": ("en/soak.email.j2", "Subject: Now\n\nSoak\n{{ pacient }}", 4, "no value 'pacient'"),
    "subject of an e-mail": ("en/soak.email.j2", "Subject: {{ pacient }}\n\nSoak", 1, "no value 'pacient'"),
    "frame": ("../shared/en/frame.sms.j2", "{{ practice_name }}: {{ soak_minutes }}", 1, "no value 'soak_minutes'"),
    "answer": ("../shared/es/answer_help.sms.j2", "{{ first_name }}", 1, "no value 'first_name'"),
    "language": ("es/language.toml", 'language = "es"', 0, "translation_status"),
    "language of another folder": (
        "es/language.toml",
        'language = "en"\ntranslation_status = "draft"',
        0,
        "folder 'es'",
    ),
}


@pytest.mark.parametrize(("file", "text", "line", "message"), FAULTS.values(), ids=FAULTS)
def test_a_fault_is_named_with_file_and_line(folder: Path, file: str, text: str, line: int, message: str) -> None:
    (folder / file).write_text(text, encoding="utf-8")
    faults = Wording(load_plan(folder)).faults()
    named = [(fault.file.name, fault.line) for fault in faults if message in fault.message]
    wanted = "nothing.j2" if "nothing.j2" in text else Path(file).name
    assert (wanted, line) in named, faults


@pytest.mark.parametrize(
    "file", ["soak.sms.j2", "soak.email.j2", "pain_relief_child.sms.j2", "visit_not_booked.sms.j2"]
)
@pytest.mark.parametrize("language", ["en", "es"])
def test_a_missing_text_is_named(folder: Path, language: str, file: str) -> None:
    path = folder / language / file
    (path if path.is_file() else folder.parent / "shared" / language / file).unlink()
    (fault,) = Wording(load_plan(folder)).faults()
    assert (fault.file, fault.line, fault.message) == (path, 0, "this text is missing")


def test_all_faults_come_at_once(folder: Path) -> None:
    (folder / "en" / "soak.sms.j2").write_text("{{ a }} {{ b }}\n{{ c }}", encoding="utf-8")
    (folder.parent / "shared" / "es" / "visit.sms.j2").unlink()
    faults = Wording(load_plan(folder)).faults()
    assert [(fault.file.name, fault.line) for fault in faults] == [
        ("soak.sms.j2", 1),
        ("soak.sms.j2", 1),
        ("soak.sms.j2", 2),
        ("visit.sms.j2", 0),
    ]
