"""Knows what is kept of one patient: courses, what of them still runs or is open, and when something happened last."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import and_, func, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.records.purging import has_waiting_messages, ids_of
from reminders.records.silenced import SILENT

_TABLES = SQLModel.metadata.tables
_PATIENTS, _CONTACTS, _CONSENTS = _TABLES["patient"], _TABLES["contact"], _TABLES["consent_event"]
_COURSES, _MESSAGES, _REPLIES = _TABLES["enrollment"], _TABLES["message"], _TABLES["reply"]
_CONCERNS, _TASKS, _VISITS = _TABLES["concern"], _TABLES["staff_task"], _TABLES["visit"]


def courses_of(session: Session, patient_id: int) -> list[int]:
    """Return the numbers of a patient's courses."""
    return ids_of(session, _COURSES, _COURSES.c.patient_id == patient_id)


def running_courses_of(session: Session, patient_id: int) -> list[int]:
    """Return the numbers of a patient's courses of which something is still to be sent."""
    return ids_of(session, _COURSES, and_(_COURSES.c.patient_id == patient_id, has_waiting_messages()))


def open_concerns_of(session: Session, patient_id: int) -> list[int]:
    """Return the numbers of a patient's concerns that are not closed."""
    return ids_of(session, _CONCERNS, and_(_CONCERNS.c.patient_id == patient_id, _CONCERNS.c.state != "closed"))


def has_silent_address(session: Session, patient_id: int) -> bool:
    """Say whether an address of a patient asked for silence."""
    silent = and_(_CONTACTS.c.patient_id == patient_id, _CONTACTS.c.state.in_(SILENT))
    return bool(ids_of(session, _CONTACTS, silent))


def last_moment_of(session: Session, patient_id: int) -> datetime | None:
    """Return when the last thing happened that is kept about a patient."""
    courses = select(_COURSES.c.id).where(_COURSES.c.patient_id == patient_id)
    places = (
        *(
            (_COURSES, name, _COURSES.c.patient_id == patient_id)
            for name in ("procedure_end", "enrolled_at", "ended_at")
        ),
        *((_MESSAGES, name, _MESSAGES.c.patient_id == patient_id) for name in ("send_at", "settled_at")),
        *((_CONCERNS, name, _CONCERNS.c.patient_id == patient_id) for name in ("opened_at", "closed_at")),
        (_REPLIES, "received_at", _REPLIES.c.patient_id == patient_id),
        (_CONSENTS, "at", _CONSENTS.c.patient_id == patient_id),
        (_VISITS, "starts_at", _VISITS.c.enrollment_id.in_(courses)),
        (_TASKS, "due_at", _TASKS.c.enrollment_id.in_(courses)),
        (_PATIENTS, "created_at", _PATIENTS.c.id == patient_id),
    )
    moments = [
        session.execute(select(func.max(table.c[name], type_=table.c[name].type)).where(where)).scalar()
        for table, name, where in places
    ]
    return max((each for each in moments if each is not None), default=None)
