"""Find patients and their courses by what somebody at the desk knows: a part of a name, number or address."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.message_list import full_name
from reminders.records import finding
from reminders.records.finding import EnrollmentLine, PatientLine

_AT_MOST = 1000
"""Patients of one search; more is no search, and databases take only so many names in one question."""


@dataclass(frozen=True, kw_only=True)
class FoundPatient:
    """A patient with the addresses that are in use or were."""

    id: int
    name: str
    language: str
    zone: str
    addresses: tuple[tuple[str, str], ...]
    """Address and its state."""
    enrollments: tuple[EnrollmentLine, ...]
    """The newest first."""


@dataclass(frozen=True, kw_only=True)
class FoundCourse:
    """A course with its patient."""

    course: EnrollmentLine
    name: str


def find_patients(session: Session, desk: Desk, search: str, *, limit: int) -> tuple[FoundPatient, ...]:
    """Return patients whose name, number or address holds `search`, the newest first; all of them for "".

    Neither case nor accents count, nor how a number is written.
    """
    lines = _matching(session, desk, search)[:limit]
    ids = [each.id for each in lines]
    contacts = finding.contacts_by_patient(session, ids)
    courses = finding.enrollment_lines(session, desk.practice_id, ids, running_only=False)
    return tuple(
        FoundPatient(
            id=each.id,
            name=f"{each.first_name} {each.last_name}".strip(),
            language=each.language,
            zone=each.zone,
            addresses=tuple((contact.address, contact.state) for contact in contacts.get(each.id, ())),
            enrollments=tuple(course for course in courses if course.patient_id == each.id),
        )
        for each in lines
    )


def find_courses(
    session: Session, desk: Desk, search: str, *, running_only: bool, limit: int
) -> tuple[FoundCourse, ...]:
    """Return courses whose patient's name, number or address holds `search`, the newest first; all of them for ""."""
    ids = [each.id for each in _matching(session, desk, search)] if search.strip() else None
    found = finding.enrollment_lines(session, desk.practice_id, ids, running_only=running_only)[:limit]
    patients = finding.patients_by_id(session, {each.patient_id for each in found})
    return tuple(FoundCourse(course=each, name=full_name(patients.get(each.patient_id))) for each in found)


def _matching(session: Session, desk: Desk, search: str) -> list[PatientLine]:
    lines = finding.patient_lines(session, desk.practice_id)
    wanted = _plain(search)
    if wanted:
        by_address = _with_address(session, desk, search)
        lines = [each for each in lines if each.id in by_address or wanted in _plain(_both_names(each))]
    return lines[:_AT_MOST]


def _with_address(session: Session, desk: Desk, search: str) -> set[int]:
    digits = "".join(character for character in search if character.isdecimal())
    typed_as_number = len(digits) >= 3 and not any(character.isalpha() for character in search)
    part = digits if typed_as_number else search.strip()
    return finding.patients_with_number(session, desk.practice_id, part)


def _both_names(each: PatientLine) -> str:
    return f"{each.first_name} {each.last_name} {each.first_name}"


def _plain(text: str) -> str:
    """Return a text without case, accents and doubled spaces."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(each for each in letters if not unicodedata.combining(each)).split())
