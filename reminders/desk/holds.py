"""Place and remove legal holds: about whom one is placed nothing is deleted, whatever its age and whoever asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, NotFound, StateError
from reminders.records import holds, people
from reminders.records.tables import Patient
from reminders.words import gettext

LONGEST_REASON = 1000


@dataclass(frozen=True, kw_only=True)
class Hold:
    """A hold that lasts."""

    patient_id: int
    reason: str
    placed_by: str
    placed_at: datetime


def place_hold(session: Session, desk: Desk, patient_id: int, *, reason: str, by: str) -> None:
    """Keep everything about a patient; raises NotFound, InputError without a reason, StateError when one lasts."""
    found_patient(session, desk, patient_id)
    if not reason.strip():
        raise InputError(gettext("say why: whoever removes the hold has to know"))
    if holds.hold_of(session, patient_id) is not None:
        raise StateError(gettext("patient {patient_id} is under a legal hold already", patient_id=patient_id))
    kept = {"reason": reason.strip()[:LONGEST_REASON], "placed_by": by, "placed_at": desk.clock.now()}
    holds.add_hold(session, practice_id=desk.practice_id, patient_id=patient_id, **kept)
    note_change(session, desk, Action.HOLD_ADD, (patient_id, ""))


def remove_hold(session: Session, desk: Desk, patient_id: int) -> None:
    """Let periods count again for a patient; raises NotFound, StateError when there is no hold."""
    found_patient(session, desk, patient_id)
    if not holds.remove_hold(session, patient_id):
        raise StateError(gettext("patient {patient_id} is under no legal hold", patient_id=patient_id))
    note_change(session, desk, Action.HOLD_REMOVE, (patient_id, ""))


def list_holds(session: Session, desk: Desk) -> tuple[Hold, ...]:
    """Return the holds that last, the oldest first."""
    return tuple(
        Hold(patient_id=each.patient_id, reason=each.reason, placed_by=each.placed_by, placed_at=each.placed_at)
        for each in holds.holds_in(session, desk.practice_id)
    )


def found_patient(session: Session, desk: Desk, patient_id: int) -> Patient:
    """Return a patient of the practice; raises NotFound."""
    patient = people.patient_of(session, patient_id)
    if patient is None or patient.practice_id != desk.practice_id:
        raise NotFound(
            gettext("there is no patient {patient_id}; `reminders patients` lists them", patient_id=patient_id)
        )
    return patient
