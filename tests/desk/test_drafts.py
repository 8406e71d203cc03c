"""No draft leaves outside the demonstration; and two approved versions of a plan run side by side."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from reminders.desk.approve import Approver, approve
from reminders.errors import InputError
from tests.build import LEAD, PLANS
from tests.desk.conftest import Opener
from tests.desk.office import Office

NURSE = Approver(name="A. Clinician (invented)", license="IL-0000")


def approved(office_at: Opener, **settings: Any) -> Office:
    """The practice outside the demonstration, with the lead plan approved."""
    office = office_at(demo=False, **settings)
    with office.database.writing() as session:
        approve(session, office.desk, LEAD, NURSE)
    return office


def languages(office: Office) -> set[str]:
    return {each["language"] for each in office.handed_over}


def test_outside_the_demonstration_no_draft_leaves_at_enrollment_or_in_answer(office_at: Opener) -> None:
    office = approved(office_at)
    office.enroll(language="es")
    office.reply("me duele el pecho y no puedo respirar")
    office.reply("¿puedo bañarme?")
    office.reply("ALTO")
    office.play("2026-06-12T12:00")
    assert len(office.handed_over) >= 2
    assert languages(office) == {"en"}


def test_in_the_demonstration_the_same_answers_are_in_the_patients_language(office: Office) -> None:
    office.enroll(language="es")
    office.reply("me duele el pecho y no puedo respirar")
    office.play("2026-06-10T10:40")
    assert languages(office) == {"es"}


def test_a_course_does_not_change_to_a_draft(office_at: Opener) -> None:
    office = approved(office_at)
    enrollment = office.enroll().enrollment_id
    with pytest.raises(InputError, match="draft that no qualified translator has read"):
        office.replan(enrollment, language="es")
    assert {each.language for each in office.messages(enrollment)} == {"en"}


def test_a_reviewed_translation_leaves(office_at: Opener, tmp_path: Path) -> None:
    templates = Path(shutil.copytree(PLANS, tmp_path / "templates"))
    for folder in (LEAD, "shared"):
        file = templates / folder / "es" / "language.toml"
        text = file.read_text("utf-8").replace('translation_status = "draft"', 'translation_status = "reviewed"')
        for name, value in (("by", "T. Translator (invented)"), ("on", "2026-06-01")):
            text = text.replace(f'reviewed_{name} = ""', f'reviewed_{name} = "{value}"')
        file.write_text(text.replace('qualification = ""', 'qualification = "invented"'), "utf-8")
    office = approved(office_at, templates=templates)
    office.enroll(language="es")
    office.dispatcher.run_once()
    assert languages(office) == {"es"}


def test_two_approved_versions_run_side_by_side(office_at: Opener, tmp_path: Path) -> None:
    templates = Path(shutil.copytree(PLANS, tmp_path / "templates"))
    office = approved(office_at, templates=templates)
    first = office.enroll().enrollment_id
    (templates / LEAD / "en" / "soak.sms.j2").write_text("Invented: soak it. Call {{ practice_phone }}.", "utf-8")
    for part in ("library", "_rules"):
        vars(office.app).pop(part)  # as after a restart
    other = {"first_name": "Sam", "phone": "312-555-0124"}
    with pytest.raises(InputError, match="no clinician approved"):
        office.enroll(**other)
    with office.database.writing() as session:
        approve(session, office.desk, LEAD, NURSE)
    second = office.enroll(**other).enrollment_id
    office.play("2026-06-12T08:30")
    said = {name: office.message(name, "soak", 2).text for name in (first, second)}
    assert "Invented: soak it." in said[second]
    assert "Invented: soak it." not in said[first]
    assert {office.message(each, "soak", 2).state for each in (first, second)} == {"sent"}
