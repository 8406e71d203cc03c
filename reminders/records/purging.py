"""Knows what of the records is over, kind by kind, and deletes it; what something kept still needs is never over.

A course is over when nothing of it is younger than the period, nothing of it waits, no concern of its patient is open
and its patient is under no legal hold; a patient is when no course is left and nothing else of theirs is younger.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    Column,
    ColumnElement,
    FromClause,
    Integer,
    Select,
    Table,
    and_,
    delete,
    exists,
    func,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

import reminders.records.tables_concerns
import reminders.records.tables_delivery
import reminders.records.tables_desk
import reminders.records.tables_staff
import reminders.records.tables_waiting  # noqa: F401  all of them fill the metadata
from reminders.records.silenced import silence_addresses_of
from reminders.records.tables_audit import LEGAL_HOLDS

_TABLES = SQLModel.metadata.tables
_PATIENTS, _CONTACTS, _CONSENTS = _TABLES["patient"], _TABLES["contact"], _TABLES["consent_event"]
_COURSES, _MESSAGES, _PARTS = _TABLES["enrollment"], _TABLES["message"], _TABLES["message_part"]
_WAITING_MESSAGES = _MESSAGES.alias()
"""Beside a message that is looked at for itself."""
_REPLIES, _CONCERNS, _EVENTS = _TABLES["reply"], _TABLES["concern"], _TABLES["concern_event"]
_TASKS, _VISITS, _PAGES = _TABLES["staff_task"], _TABLES["visit"], _TABLES["patient_page"]
_WAITING, _APPROVALS, _PLANS = _TABLES["waiting_patient"], _TABLES["approval"], _TABLES["plan_content"]
_SESSIONS, _LINKS, _FORMS = _TABLES["staff_session"], _TABLES["staff_link"], _TABLES["kept_form"]
_NOTHING_SEALED = 33
"""Octets of a sealed empty text (`records.keyring`): header 5, nonce 12, tag 16."""


@dataclass(frozen=True)
class Kind:
    """A kind of data that goes, when it is over, and how it is deleted."""

    name: str
    due: Callable[[str, datetime], Select[Any]]
    """Practice, and the moment before which it is over → its keys and the moment of each; oldest first."""
    remove: Callable[[Session, Sequence[Any]], None]


@dataclass(frozen=True)
class Due:
    """How much of a kind is over."""

    count: int
    oldest: datetime | None
    newest: datetime | None


def count_due(session: Session, kind: Kind, practice_id: str, before: datetime) -> Due:
    """Return how much of a kind is over at that moment."""
    found = kind.due(practice_id, before).order_by(None).subquery()
    moment = found.c.moment
    row = session.execute(
        select(func.count(), func.min(moment, type_=moment.type), func.max(moment, type_=moment.type)).select_from(
            found
        )
    ).one()
    return Due(*row)


def remove_some(session: Session, kind: Kind, practice_id: str, before: datetime, *, limit: int) -> int:
    """Delete at most `limit` things of a kind that are over; return how many it were."""
    keys = [row[0] for row in session.execute(kind.due(practice_id, before).limit(limit))]
    if keys:
        kind.remove(session, keys)
    return len(keys)


def remove_courses(session: Session, ids: Sequence[int]) -> None:
    """Delete courses with all that belongs to them; not their patients."""
    replies = ids_of(session, _REPLIES, _REPLIES.c.enrollment_id.in_(ids))
    concerns = ids_of(session, _CONCERNS, _CONCERNS.c.enrollment_id.in_(ids))
    session.execute(delete(_TASKS).where(_TASKS.c.enrollment_id.in_(ids)))
    _remove_messages(session, or_(_MESSAGES.c.enrollment_id.in_(ids), _MESSAGES.c.answers_reply_id.in_(replies)))
    _remove_concerns(session, concerns)
    session.execute(delete(_REPLIES).where(_REPLIES.c.id.in_(replies)))
    for table in (_VISITS, _PAGES, _WAITING):
        session.execute(delete(table).where(table.c.enrollment_id.in_(ids)))
    session.execute(delete(_COURSES).where(_COURSES.c.id.in_(ids)))


def remove_patients(session: Session, ids: Sequence[int]) -> None:
    """Delete patients with all that is left of them; who asked for silence keeps it, by a keyed hash of the address."""
    silence_addresses_of(session, ids)
    replies = ids_of(session, _REPLIES, _REPLIES.c.patient_id.in_(ids))
    _remove_messages(session, or_(_MESSAGES.c.patient_id.in_(ids), _MESSAGES.c.answers_reply_id.in_(replies)))
    _remove_concerns(session, ids_of(session, _CONCERNS, _CONCERNS.c.patient_id.in_(ids)))
    session.execute(delete(_REPLIES).where(_REPLIES.c.id.in_(replies)))
    for table in (_CONSENTS, _CONTACTS, LEGAL_HOLDS):
        session.execute(delete(table).where(table.c.patient_id.in_(ids)))
    practices = select(_PATIENTS.c.practice_id).where(_PATIENTS.c.id.in_(ids))
    practice = _TABLES["practice"]
    # who keeps names in memory reads them again
    session.execute(update(practice).where(practice.c.id.in_(practices)).values(renamings=practice.c.renamings + 1))
    session.execute(delete(_PATIENTS).where(_PATIENTS.c.id.in_(ids)))


def ids_of(session: Session, table: Table, where: ColumnElement[bool]) -> list[int]:
    """Return the numbers of rows."""
    return list(session.execute(select(table.c.id).where(where)).scalars())


def _remove_messages(session: Session, where: ColumnElement[bool]) -> None:
    ids = ids_of(session, _MESSAGES, where)
    session.execute(delete(_PARTS).where(_PARTS.c.message_id.in_(ids)))
    session.execute(delete(_MESSAGES).where(_MESSAGES.c.id.in_(ids)))


def _remove_concerns(session: Session, ids: Sequence[int]) -> None:
    session.execute(delete(_EVENTS).where(_EVENTS.c.concern_id.in_(ids)))
    session.execute(update(_TASKS).where(_TASKS.c.concern_id.in_(ids)).values(state="cancelled", concern_id=None))
    session.execute(delete(_CONCERNS).where(_CONCERNS.c.id.in_(ids)))


def _none(table: FromClause, *where: ColumnElement[bool]) -> ColumnElement[bool]:
    return ~exists(select(1).select_from(table).where(*where))


def _is_free(patient_id: ColumnElement[Any]) -> ColumnElement[bool]:
    """Return the condition that nobody needs anything of the patient: no open concern, no legal hold."""
    return and_(
        _none(_CONCERNS, _CONCERNS.c.patient_id == patient_id, _CONCERNS.c.state != "closed"),
        _none(LEGAL_HOLDS, LEGAL_HOLDS.c.patient_id == patient_id),
    )


def has_waiting_messages() -> ColumnElement[bool]:
    """Return the condition on courses of which something is still to be sent."""
    waiting = select(_WAITING_MESSAGES.c.id).where(
        _WAITING_MESSAGES.c.enrollment_id == _COURSES.c.id, _WAITING_MESSAGES.c.state.in_(("scheduled", "sending"))
    )
    return exists(waiting)


def _nobody_needs_words_of(patient_id: ColumnElement[Any]) -> ColumnElement[bool]:
    runs_no_course = _none(_COURSES, _COURSES.c.patient_id == patient_id, has_waiting_messages())
    return or_(patient_id.is_(None), and_(_is_free(patient_id), runs_no_course))


def _older(practice_id: str, before: datetime, moment: Column[Any], *where: ColumnElement[bool]) -> Select[Any]:
    """Return the query for the rows of a practice whose moment is past, and what else is asked; the oldest first."""
    row = moment.table.c
    return (
        select(row.id, moment.label("moment"))
        .where(row.practice_id == practice_id, moment < before, *where)
        .order_by(moment, row.id)
    )


def _texts_of_messages(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _MESSAGES.c.send_at,
        _MESSAGES.c.state.not_in(("scheduled", "sending", "uncertain")),
        or_(_MESSAGES.c.settled_at.is_(None), _MESSAGES.c.settled_at < before),
        func.length(_MESSAGES.c.text, type_=Integer) > _NOTHING_SEALED,
        _nobody_needs_words_of(_MESSAGES.c.patient_id),
    )


def _forget_texts(session: Session, ids: Sequence[int]) -> None:
    gone = {"text": "", "subject": None, "markdown": None}
    session.execute(update(_MESSAGES).where(_MESSAGES.c.id.in_(ids)).values(gone))


def _texts_of_replies(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _REPLIES.c.received_at,
        func.length(_REPLIES.c.text, type_=Integer) > _NOTHING_SEALED,
        _nobody_needs_words_of(_REPLIES.c.patient_id),
    )


def _forget_replies(session: Session, ids: Sequence[int]) -> None:
    # `why` quotes the patient's words
    gone: dict[str, Any] = {"text": "", "why": [], "left_out": None}
    session.execute(update(_REPLIES).where(_REPLIES.c.id.in_(ids)).values(gone))


def _courses(practice_id: str, before: datetime) -> Select[Any]:
    course, patient = _COURSES.c.id, _COURSES.c.patient_id
    return _older(
        practice_id,
        before,
        _COURSES.c.procedure_end,
        _COURSES.c.enrolled_at < before,
        or_(_COURSES.c.ended_at.is_(None), _COURSES.c.ended_at < before),
        _none(_MESSAGES, _MESSAGES.c.enrollment_id == course, _is_young(before)),
        _none(_REPLIES, _REPLIES.c.enrollment_id == course, _REPLIES.c.received_at >= before),
        _none(_CONCERNS, _CONCERNS.c.enrollment_id == course, _was_closed_since(before)),
        _none(_TASKS, _TASKS.c.enrollment_id == course, or_(_TASKS.c.state == "waiting", _TASKS.c.due_at >= before)),
        _none(_VISITS, _VISITS.c.enrollment_id == course, _VISITS.c.starts_at >= before),
        _is_free(patient),
    )


def _is_young(before: datetime) -> ColumnElement[bool]:
    return or_(
        _MESSAGES.c.state.in_(("scheduled", "sending")),
        _MESSAGES.c.send_at >= before,
        _MESSAGES.c.settled_at >= before,
    )


def _was_closed_since(before: datetime) -> ColumnElement[bool]:
    return or_(_CONCERNS.c.opened_at >= before, _CONCERNS.c.closed_at >= before)


def _patients(practice_id: str, before: datetime) -> Select[Any]:
    patient = _PATIENTS.c.id
    return _older(
        practice_id,
        before,
        _PATIENTS.c.created_at,
        _none(_COURSES, _COURSES.c.patient_id == patient),
        _none(_CONSENTS, _CONSENTS.c.patient_id == patient, _CONSENTS.c.at >= before),
        _none(_REPLIES, _REPLIES.c.patient_id == patient, _REPLIES.c.received_at >= before),
        _none(_CONCERNS, _CONCERNS.c.patient_id == patient, _was_closed_since(before)),
        _none(_MESSAGES, _MESSAGES.c.patient_id == patient, _is_young(before)),
        _is_free(patient),
    )


def _replies_of_nobody(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _REPLIES.c.received_at,
        _REPLIES.c.patient_id.is_(None),
        _none(_MESSAGES, _MESSAGES.c.answers_reply_id == _REPLIES.c.id, _is_young(before)),
        _none(
            _EVENTS.join(_CONCERNS, _CONCERNS.c.id == _EVENTS.c.concern_id),
            _EVENTS.c.reply_id == _REPLIES.c.id,
            _CONCERNS.c.state != "closed",
        ),
    )


def _remove_replies(session: Session, ids: Sequence[int]) -> None:
    _remove_messages(session, _MESSAGES.c.answers_reply_id.in_(ids))
    session.execute(delete(_REPLIES).where(_REPLIES.c.id.in_(ids)))


def _concerns_of_nobody(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _CONCERNS.c.opened_at,
        _CONCERNS.c.patient_id.is_(None),
        _CONCERNS.c.state == "closed",
        _CONCERNS.c.closed_at < before,
    )


def _notices(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _MESSAGES.c.send_at,
        _MESSAGES.c.kind == "staff",
        _MESSAGES.c.patient_id.is_(None),
        ~_is_young(before) | _MESSAGES.c.settled_at.is_(None),
        _MESSAGES.c.state.not_in(("scheduled", "sending")),
    )


def _dismissed(practice_id: str, before: datetime) -> Select[Any]:
    return _older(
        practice_id,
        before,
        _WAITING.c.told_at,
        _WAITING.c.state == "dismissed",
        _WAITING.c.decided_at < before,
    )


def _approvals(practice_id: str, before: datetime) -> Select[Any]:
    """Approvals count from when they were last in effect: when a newer one came, and no course goes by them."""
    newer = _APPROVALS.alias()
    return (
        select(_APPROVALS.c.id, _APPROVALS.c.at.label("moment"))
        .where(
            _APPROVALS.c.practice_id == practice_id,
            _none(_COURSES, _COURSES.c.content_hash == _APPROVALS.c.content_hash),
            exists(
                select(1).where(
                    newer.c.practice_id == practice_id,
                    newer.c.procedure == _APPROVALS.c.procedure,
                    newer.c.at > _APPROVALS.c.at,
                    newer.c.at < before,
                )
            ),
        )
        .order_by(_APPROVALS.c.at, _APPROVALS.c.id)
    )


def _plans(_practice_id: str, before: datetime) -> Select[Any]:
    content = _PLANS.c.content_hash
    return (
        select(content, _PLANS.c.kept_at.label("moment"))
        .where(
            _PLANS.c.kept_at < before,
            _none(_COURSES, _COURSES.c.content_hash == content),
            _none(_APPROVALS, _APPROVALS.c.content_hash == content),
        )
        .order_by(_PLANS.c.kept_at)
    )


def _sign_ins(practice_id: str, before: datetime) -> Select[Any]:
    members = _TABLES["staff_member"]
    return (
        select(_SESSIONS.c.token_hash, _SESSIONS.c.ends_at.label("moment"))
        .join(members, members.c.id == _SESSIONS.c.staff_id)
        .where(members.c.practice_id == practice_id, _SESSIONS.c.ends_at < before)
        .order_by(_SESSIONS.c.ends_at)
    )


def _links(practice_id: str, before: datetime) -> Select[Any]:
    return (
        select(_LINKS.c.token_hash, _LINKS.c.expires_at.label("moment"))
        .where(_LINKS.c.practice_id == practice_id, _LINKS.c.expires_at < before)
        .order_by(_LINKS.c.expires_at)
    )


def _forms(practice_id: str, before: datetime) -> Select[Any]:
    members = _TABLES["staff_member"]
    return (
        select(_FORMS.c.staff_id, _FORMS.c.kept_at.label("moment"))
        .join(members, members.c.id == _FORMS.c.staff_id)
        .where(members.c.practice_id == practice_id, _FORMS.c.kept_at < before)
        .order_by(_FORMS.c.kept_at)
    )


def _by(table: Table, key: str) -> Callable[[Session, Sequence[Any]], None]:
    def remove(session: Session, keys: Sequence[Any]) -> None:
        session.execute(delete(table).where(table.c[key].in_(keys)))

    return remove


TEXTS = (
    Kind("texts of messages", _texts_of_messages, _forget_texts),
    Kind("texts of replies", _texts_of_replies, _forget_replies),
)
"""What may go sooner than the documentation of what was sent and said."""
DOCUMENTATION = (
    Kind("courses", _courses, remove_courses),
    Kind("patients", _patients, remove_patients),
    Kind("replies of unknown senders", _replies_of_nobody, _remove_replies),
    Kind("concerns about no patient", _concerns_of_nobody, _remove_concerns),
    Kind("notices to staff", _notices, lambda session, ids: _remove_messages(session, _MESSAGES.c.id.in_(ids))),
    Kind("dismissed patients of other systems", _dismissed, _by(_WAITING, "id")),
    Kind("approvals", _approvals, _by(_APPROVALS, "id")),
    Kind("plans", _plans, _by(_PLANS, "content_hash")),
)
PASSING = (
    Kind("ended sign-ins", _sign_ins, _by(_SESSIONS, "token_hash")),
    Kind("expired invitations", _links, _by(_LINKS, "token_hash")),
    Kind("kept forms", _forms, _by(_FORMS, "staff_id")),
)
"""What no law asks for, and nobody needs after a month."""
