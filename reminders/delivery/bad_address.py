"""Stops everything to an address that does not work, and tells staff once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.records.concerns_once import Trouble, open_once
from reminders.records.people import mark_unreachable
from reminders.sentences import english
from reminders.words import marked

_WORDS = {"sms": english("mobile number"), "email": english("e-mail address")}


@dataclass(frozen=True, kw_only=True)
class BadContact:
    """An address to which nothing will ever arrive, as the other side says."""

    practice_id: str
    channel: str
    address: str
    detail: str
    """The other side's word for it; holds no address."""


def stop_sending_to(
    session: Session, bad: BadContact, *, now: datetime, concern_due: Callable[[str, datetime], datetime]
) -> int:
    """Mark an address as unreachable for every patient who has it, and open a concern for each; return how many.

    Within the caller's transaction. 0 when nobody has it, or it was marked before: staff are told once. What somebody
    stopped or said is another person's stays so. The gate withholds what is still planned for it. It is used again
    when staff put it on record anew.
    """
    patients = mark_unreachable(session, bad.practice_id, bad.channel, bad.address)
    for patient_id in patients:
        trouble = Trouble(
            practice_id=bad.practice_id,
            patient_id=patient_id,
            enrollment_id=None,
            kind="delivery",
            about=f"patient {patient_id}: {bad.channel} does not work",
            urgency="routine",
            summary=english(
                "The {what} does not work, nothing more is sent to it: {why}. Ask the patient for another one."
            ).format(what=_WORDS.get(bad.channel, bad.channel), why=bad.detail),
            opened_at=now,
            due_at=concern_due("routine", now),
        )
        open_once(session, trouble, by=marked("delivery"))
    return len(patients)
