"""What people, other programs and this one do and look at, noted in the audit trail; the names of all of it.

What changes something notes it within the transaction that changes it, here at the desk, whoever calls. What only shows
something of a patient is noted by the page, the call or the command that shows it, before it is shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.records import audit
from reminders.records.audit import Noted, Who
from reminders.records.database import Database
from reminders.words import marked


class Action(StrEnum):
    """What somebody may do; the word before the dot is what it is done to."""

    PATIENTS_FIND = "patient.find"
    PATIENT_SEE = "patient.see"
    PATIENT_ENROLL = "patient.enroll"
    PATIENT_TRY = "patient.try"
    PATIENT_EXPORT = "patient.export"
    PATIENT_ERASE = "patient.erase"
    COURSE_SEE = "course.see"
    COURSE_CHANGE = "course.change"
    COURSE_CANCEL = "course.cancel"
    COURSE_PAUSE = "course.pause"
    COURSE_RESUME = "course.resume"
    COURSE_END = "course.end"
    RECORD_SEE = "record.see"
    MESSAGES_SEE = "message.see"
    MESSAGE_SEND = "message.send"
    MESSAGE_RECEIPT = "message.receipt"
    MESSAGE_AGAIN = "message.send_again"
    MESSAGE_TEST = "message.test"
    CONSENT_SEE = "consent.see"
    CONSENT_GIVEN = "consent.given"
    CONSENT_WITHDRAWN = "consent.withdrawn"
    CONSENT_RELEASED = "consent.released"
    CONCERN_SEE = "concern.see"
    CONCERN_TAKEN = "concern.taken"
    CONCERN_NOTE = "concern.note"
    CONCERN_CALLED = "concern.called"
    CONCERN_CLOSED = "concern.closed"
    CONCERN_HANDED_OVER = "concern.handed_over"
    CONCERN_GIVEN_BACK = "concern.given_back"
    CONCERN_REOPENED = "concern.reopened"
    REPLY_TAKE = "reply.take"
    PAGE_ACT = "page.act"
    PAGE_LINK = "page.new_link"
    TODAY_SEE = "today.see"
    PLAN_APPROVE = "plan.approve"
    CALL_REPEAT = "call.repeat"
    SIGN_IN = "sign.in"
    SIGN_OUT = "sign.out"
    SIGN_LOCKED = "sign.locked"
    ACCOUNT_PASSWORD = "account.password"  # noqa: S105  a name, no password
    ACCOUNT_FACTOR = "account.factor"
    ACCOUNT_FACTOR_GONE = "account.factor_removed"
    STAFF_INVITE = "staff.invite"
    STAFF_JOIN = "staff.join"
    STAFF_LINK = "staff.new_link"
    STAFF_ROLES = "staff.roles"
    STAFF_GONE = "staff.let_go"
    PAGE_REFUSED = "access.refused"
    KEY_ADD = "api_key.add"
    KEY_REVOKE = "api_key.revoke"
    SEAL_ROTATE = "seal.rotate"
    SETTINGS_CHANGE = "settings.change"
    SETTINGS_SET = "settings.set"
    BACKUP_MAKE = "backup.make"
    BACKUP_RESTORE = "backup.restore"
    DATABASE_MOVE = "database.move"
    LIST_IMPORT = "list.import"
    WAITING_ADD = "waiting.add"
    WAITING_SEE = "waiting.see"
    WAITING_ENROLL = "waiting.enroll"
    WAITING_DISMISS = "waiting.dismiss"
    HOLD_ADD = "hold.add"
    HOLD_REMOVE = "hold.remove"
    PURGE = "purge.run"
    AUDIT_PURGE = "audit.purge"
    AUDIT_SEE = "audit.see"
    AUDIT_ANCHOR = "audit.anchor"


SAID: Mapping[Action, str] = MappingProxyType(
    {
        Action.PATIENTS_FIND: marked("found the patient in a search"),
        Action.PATIENT_SEE: marked("saw the patient's data"),
        Action.PATIENT_ENROLL: marked("enrolled the patient"),
        Action.PATIENT_TRY: marked("tried an enrollment without storing it"),
        Action.PATIENT_EXPORT: marked("exported everything about the patient"),
        Action.PATIENT_ERASE: marked("erased the patient"),
        Action.COURSE_SEE: marked("saw the course"),
        Action.COURSE_CHANGE: marked("changed the course"),
        Action.COURSE_CANCEL: marked("cancelled the course"),
        Action.COURSE_PAUSE: marked("paused the course"),
        Action.COURSE_RESUME: marked("resumed the course"),
        Action.COURSE_END: marked("ended the course"),
        Action.RECORD_SEE: marked("saw the chart record"),
        Action.MESSAGES_SEE: marked("saw messages"),
        Action.MESSAGE_SEND: marked("sent messages"),
        Action.MESSAGE_RECEIPT: marked("learnt whether messages arrived"),
        Action.MESSAGE_AGAIN: marked("had a message sent again"),
        Action.MESSAGE_TEST: marked("sent a test message"),
        Action.CONSENT_SEE: marked("saw the consent history"),
        Action.CONSENT_GIVEN: marked("recorded consent"),
        Action.CONSENT_WITHDRAWN: marked("recorded that consent is withdrawn"),
        Action.CONSENT_RELEASED: marked("recorded that the address is somebody else's"),
        Action.CONCERN_SEE: marked("saw the concern"),
        Action.CONCERN_TAKEN: marked("took the concern"),
        Action.CONCERN_NOTE: marked("added a note"),
        Action.CONCERN_CALLED: marked("noted a call"),
        Action.CONCERN_CLOSED: marked("closed the concern"),
        Action.CONCERN_HANDED_OVER: marked("handed the concern over"),
        Action.CONCERN_GIVEN_BACK: marked("gave the concern back"),
        Action.CONCERN_REOPENED: marked("opened the concern again"),
        Action.REPLY_TAKE: marked("took in a reply"),
        Action.PAGE_ACT: marked("used the patient's page"),
        Action.PAGE_LINK: marked("gave a new link to the patient's page"),
        Action.TODAY_SEE: marked("saw the overview of the day"),
        Action.PLAN_APPROVE: marked("approved a plan"),
        Action.CALL_REPEAT: marked("was given the same answer again"),
        Action.SIGN_IN: marked("signed in"),
        Action.SIGN_OUT: marked("signed out"),
        Action.SIGN_LOCKED: marked("was locked out after failed tries"),
        Action.ACCOUNT_PASSWORD: marked("changed their password"),
        Action.ACCOUNT_FACTOR: marked("set up a second factor"),
        Action.ACCOUNT_FACTOR_GONE: marked("took the second factor away"),
        Action.STAFF_INVITE: marked("invited somebody"),
        Action.STAFF_JOIN: marked("followed an invitation"),
        Action.STAFF_LINK: marked("gave somebody a new link"),
        Action.STAFF_ROLES: marked("changed somebody's roles"),
        Action.STAFF_GONE: marked("closed somebody's access"),
        Action.PAGE_REFUSED: marked("was refused for want of a right"),
        Action.KEY_ADD: marked("made a key for a program"),
        Action.KEY_REVOKE: marked("took a program's key back"),
        Action.SEAL_ROTATE: marked("changed the key that seals the data"),
        Action.SETTINGS_CHANGE: marked("started with changed settings"),
        Action.SETTINGS_SET: marked("changed the practice's settings"),
        Action.BACKUP_MAKE: marked("copied the database"),
        Action.BACKUP_RESTORE: marked("restored a copy of the database"),
        Action.DATABASE_MOVE: marked("moved everything to another database"),
        Action.LIST_IMPORT: marked("enrolled patients from a list"),
        Action.WAITING_ADD: marked("took in a patient whom another system told of"),
        Action.WAITING_SEE: marked("saw a patient who waits to be enrolled"),
        Action.WAITING_ENROLL: marked("enrolled a patient who waited"),
        Action.WAITING_DISMISS: marked("dismissed a patient who waited"),
        Action.HOLD_ADD: marked("placed a legal hold"),
        Action.HOLD_REMOVE: marked("removed a legal hold"),
        Action.PURGE: marked("purged data whose time was over"),
        Action.AUDIT_PURGE: marked("purged old audit entries"),
        Action.AUDIT_SEE: marked("looked into the audit trail"),
        Action.AUDIT_ANCHOR: marked("exported an anchor of the audit trail"),
    }
)
"""How an action reads behind a name: `Nora Nurse saw the course`."""

Look = tuple[int | None, str]
"""Whom something was shown of, and what it was: `(7, "concern 3")`; None where it is about no one patient."""


def note_change(
    session: Session, desk: Desk, action: Action, whose: Look, details: Mapping[str, Any] | None = None
) -> None:
    """Note what this transaction changes; it commits with the change, or not at all. Numbers only, never names."""
    patient_id, about = whose
    now = desk.clock.now()
    audit.note(
        session,
        Noted(
            practice_id=desk.practice_id,
            at=now,
            action=action,
            patient_id=patient_id,
            about=about,
            details=details or {},
        ),
    )


def note_attempt(session: Session, desk: Desk, action: Action, *, outcome: str, whose: Look) -> None:
    """Note what somebody tried in vain."""
    patient_id, about = whose
    now = desk.clock.now()
    audit.note(
        session,
        Noted(practice_id=desk.practice_id, at=now, action=action, patient_id=patient_id, about=about, outcome=outcome),
    )


def note_looks(database: Database, desk: Desk, action: Action, looks: Iterable[Look], *, by: Who | None = None) -> None:
    """Note, before it is shown, what somebody is about to see; nothing when there is nothing."""
    now = desk.clock.now()
    noted = [
        Noted(practice_id=desk.practice_id, at=now, action=action, patient_id=patient_id, about=about)
        for patient_id, about in dict.fromkeys(looks)
    ]
    if noted:
        with database.writing(by=by) as session:
            for each in noted:
                audit.note(session, each)
