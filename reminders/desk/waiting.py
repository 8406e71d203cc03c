"""Patients whom another system of the practice told of: they wait until the front desk enrolls or dismisses them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound, StateError
from reminders.exchange.announced import Told
from reminders.exchange.fhir_reading import read_fhir
from reminders.exchange.hl7_reading import read_hl7
from reminders.records import waiting as rows
from reminders.records.tables_waiting import WaitingPatient
from reminders.words import gettext


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """Somebody who waits to be enrolled."""

    id: int
    told_at: datetime
    told: Mapping[str, str]
    """By the columns of a list of patients (`enrollment_csv.COLUMNS`), unchecked."""

    @property
    def name(self) -> str:
        """First and last name, as far as they were told."""
        return f"{self.told.get('first_name', '')} {self.told.get('last_name', '')}".strip()


@dataclass(frozen=True, kw_only=True)
class TakenIn:
    """What came of a file."""

    added: tuple[int, ...]
    known: int
    """How many had been told before."""
    problems: tuple[str, ...]
    """What is wrong with the rest of the file."""


def take_in(session: Session, desk: Desk, content: bytes) -> TakenIn:
    """Keep the patients that a file of HL7 v2 or FHIR tells of; raises InputError when it is neither."""
    told = read_told(content)
    by_reference = {each.reference: each.values for each in told.patients}
    added = rows.add_waiting(session, desk.practice_id, by_reference, at=desk.clock.now())
    for waiting_id in added:
        note_change(session, desk, Action.WAITING_ADD, (None, f"waiting {waiting_id}"))
    return TakenIn(added=added, known=len(by_reference) - len(added), problems=told.problems)


def read_told(content: bytes) -> Told:
    """Read a file as what it looks like; raises InputError."""
    start = content.lstrip(b"\xef\xbb\xbf\x0b \t\r\n")[:3]
    if start.startswith((b"{", b"[")):
        return read_fhir(content)
    if start in {b"MSH", b"FHS", b"BHS"}:
        return read_hl7(content)
    raise InputError(gettext("the file is neither HL7 v2 nor a FHIR bundle in JSON"))


def list_waiting(session: Session, desk: Desk) -> tuple[Waiting, ...]:
    """Return who waits, the longest first; five hundred at most."""
    return tuple(map(_waiting, rows.waiting_patients(session, desk.practice_id)))


def one_waiting(session: Session, desk: Desk, waiting_id: int) -> Waiting:
    """Return one who waits; raises NotFound, or StateError when somebody decided before."""
    return _waiting(_found(session, desk, waiting_id))


def note_enrolled(session: Session, desk: Desk, waiting_id: int, enrollment_id: int, *, by: str) -> None:
    """Note, in the transaction that enrolled them, that they wait no more; StateError when somebody was quicker."""
    _decide(session, desk, waiting_id, by=by, enrollment_id=enrollment_id)
    note_change(session, desk, Action.WAITING_ENROLL, (None, f"waiting {waiting_id}, course {enrollment_id}"))


def dismiss(session: Session, desk: Desk, waiting_id: int, *, by: str) -> None:
    """Let somebody wait no more who is not to be enrolled; raises NotFound or StateError."""
    _decide(session, desk, waiting_id, by=by)
    note_change(session, desk, Action.WAITING_DISMISS, (None, f"waiting {waiting_id}"))


def _decide(session: Session, desk: Desk, waiting_id: int, *, by: str, enrollment_id: int | None = None) -> None:
    _found(session, desk, waiting_id)
    if not rows.decide(session, waiting_id, by=by, at=desk.clock.now(), enrollment_id=enrollment_id):
        raise StateError(gettext("somebody else decided about this patient a moment ago"))


def _found(session: Session, desk: Desk, waiting_id: int) -> WaitingPatient:
    row = rows.waiting_of(session, waiting_id)
    if row is None or row.practice_id != desk.practice_id:
        raise NotFound(gettext("nobody waits under number {number}; `reminders waiting` lists them", number=waiting_id))
    if row.state == "enrolled":
        raise StateError(gettext("this patient was enrolled already: course {number}", number=row.enrollment_id))
    if row.state != "waiting":
        raise StateError(gettext("this patient was dismissed already"))
    return row


def _waiting(row: WaitingPatient) -> Waiting:
    return Waiting(id=row.id or 0, told_at=row.told_at, told=row.told)
