"""Find patients and their courses by what somebody at the desk knows: a part of a name, number or address."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.message_list import full_name
from reminders.records import finding, people
from reminders.records.directory import patients_matching
from reminders.records.finding import EnrollmentLine

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
    ids = _matching(session, desk, search)[:limit]
    lines = finding.patient_lines(session, ids)
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
    ids = _matching(session, desk, search) if search.strip() else None
    found = finding.enrollment_lines(session, desk.practice_id, ids, running_only=running_only)[:limit]
    patients = people.patients_of(session, {each.patient_id for each in found})
    return tuple(FoundCourse(course=each, name=full_name(patients.get(each.patient_id))) for each in found)


def _matching(session: Session, desk: Desk, search: str) -> list[int]:
    if not search.strip():
        return finding.newest_patients(session, desk.practice_id, _AT_MOST)
    return patients_matching(session, desk.practice_id, search, _address_part(search), most=_AT_MOST)


def _address_part(search: str) -> str:
    digits = "".join(character for character in search if character.isdecimal())
    typed_as_number = len(digits) >= 3 and not any(character.isalpha() for character in search)
    return digits if typed_as_number else search
