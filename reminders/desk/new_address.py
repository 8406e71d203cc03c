"""A patient gives another number or e-mail address: consent for it is recorded, and what waits goes there."""

from __future__ import annotations

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.consent import record_consent, withdraw_consent
from reminders.desk.replan import refresh_others
from reminders.desk.statement import Statement
from reminders.errors import InputError
from reminders.records import people
from reminders.sentences import english
from reminders.words import gettext

_NONE = 0
_REPLACED = english("the patient gave another address in its place")


def take_new_address(
    session: Session, desk: Desk, patient_id: int, address: str, statement: Statement
) -> tuple[str, ...]:
    """Record the consent and write to the new address, in place of those of its kind; returns warnings.

    Raises as `record_consent` does, and InputError for no address at all.
    """
    if not address.strip():
        raise InputError(gettext("type the new number or e-mail address"))
    channel = "email" if "@" in address else "sms"
    known = people.contacts_of(session, patient_id)
    if any(each.channel == channel and each.state != "released" for each in known):
        gone = Statement(wording=_REPLACED, recorded_by=statement.recorded_by)
        withdraw_consent(session, desk, patient_id, channel, gone)
    return use_address(session, desk, patient_id, address, statement)


def use_address(session: Session, desk: Desk, patient_id: int, address: str, statement: Statement) -> tuple[str, ...]:
    """Record the consent, and let what waits for an address of no use go to this one; returns warnings.

    Raises as `record_consent` does.
    """
    warnings = record_consent(session, desk, patient_id, address, statement)
    session.flush()
    refresh_others(session, desk, patient_id, beside=_NONE)
    return warnings
