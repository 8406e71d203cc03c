"""Queries about enrollments and the messages of a course."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import CursorResult, ScalarSelect, bindparam, func, insert, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from reminders.records.message_states import SPENT, MessageEvent, MessageState, next_state
from reminders.records.row_proofs import to_prove
from reminders.records.tables import MESSAGES, Approval, Enrollment, Message

_APPROVALS = SQLModel.metadata.tables["approval"]
_ENROLLMENTS = SQLModel.metadata.tables["enrollment"]


class CourseStep(NamedTuple):
    """A message of a course, as far as one wants to know it before calling the patient."""

    key: str
    state: str
    send_at: datetime
    text: str


def is_approved(session: Session, practice_id: str, content_hash: str) -> bool:
    """Say whether a licensed clinician of the practice approved exactly this content."""
    values = {"practice_id": practice_id, "content_hash": content_hash}
    return session.connection().execute(_APPROVED, values).first() is not None


def add_approval(session: Session, approval: Approval) -> None:
    """Add an approval; earlier ones are kept."""
    session.add(approval)
    session.flush()


def last_procedure(session: Session, practice_id: str) -> str | None:
    """Return the procedure of the practice's newest enrollment, None when there is none."""
    statement = select(col(Enrollment.procedure)).where(col(Enrollment.practice_id) == practice_id)
    return session.execute(statement.order_by(col(Enrollment.id).desc()).limit(1)).scalar_one_or_none()


def approvals(session: Session, practice_id: str, procedure: str) -> list[Approval]:
    """Return the practice's approvals of a procedure's plan, the newest first."""
    statement = (
        select(Approval)
        .where(col(Approval.practice_id) == practice_id, col(Approval.procedure) == procedure)
        .order_by(col(Approval.id).desc())
    )
    return list(session.execute(statement).scalars())


def last_approvals(session: Session, practice_id: str) -> dict[str, Approval]:
    """Return the practice's last approval of each procedure's plan, by procedure; of none that nobody approved."""
    last = select(func.max(col(Approval.id))).where(col(Approval.practice_id) == practice_id)
    statement = select(Approval).where(col(Approval.id).in_(last.group_by(col(Approval.procedure))))
    return {each.procedure: each for each in session.execute(statement).scalars()}


def enrollments_of(session: Session, patient_id: int, *, state: str | None = None) -> list[Enrollment]:
    """Return a patient's enrollments, oldest first."""
    if not state:
        return list(session.execute(_ENROLLMENTS_OF, {"patient": patient_id}).scalars())
    return list(session.execute(_ENROLLMENTS_IN, {"patient": patient_id, "in_state": state}).scalars())


def enrollments_of_all(session: Session, patient_ids: Collection[int]) -> dict[int, list[Enrollment]]:
    """Return the enrollments of each of these patients, oldest first."""
    found: dict[int, list[Enrollment]] = {patient_id: [] for patient_id in patient_ids}
    if found:
        for each in session.execute(_ENROLLMENTS_OF_ALL, {"patients": [*found]}).scalars():
            found[each.patient_id].append(each)
    return found


def same_enrollment(session: Session, patient_id: int, procedure: str, procedure_on: date) -> int | None:
    """Return the id of the patient's enrollment for the same procedure and day that was not cancelled, if any."""
    statement = select(col(Enrollment.id)).where(
        col(Enrollment.patient_id) == patient_id,
        col(Enrollment.procedure) == procedure,
        col(Enrollment.procedure_on) == procedure_on,
        col(Enrollment.state) != "cancelled",
    )
    return session.execute(statement.limit(1)).scalar_one_or_none()


def add_enrollments(session: Session, rows: Sequence[Mapping[str, Any]]) -> Sequence[int]:
    """Add active enrollments with these columns and return the new ids in the same order."""
    ids = session.connection().execute(_ADD_ENROLLMENTS, [*rows]).scalars().all() if rows else ()
    to_prove(session, "enrollment", ids)
    return ids


def enrollment_of(session: Session, enrollment_id: int) -> Enrollment | None:
    """Return an enrollment, None when there is none with this id."""
    return session.get(Enrollment, enrollment_id)


def practice_of(enrollment_id: int) -> ScalarSelect[str]:
    """Return, for use in a statement, the practice of a course."""
    return select(col(Enrollment.practice_id)).where(col(Enrollment.id) == enrollment_id).scalar_subquery()


def set_enrollment(session: Session, enrollment_id: int, **values: Any) -> bool:
    """Change columns of an active enrollment; returns False when it is not active (any more)."""
    changed = session.execute(
        update(Enrollment)
        .where(col(Enrollment.id) == enrollment_id, col(Enrollment.state) == "active")
        .values(**values)
    )
    if "facts" in values:
        to_prove(session, "enrollment", [enrollment_id])
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def messages_of(session: Session, enrollment_id: int) -> list[Message]:
    """Return every message of a course in send order."""
    return list(session.execute(_MESSAGES_OF, {"enrollment": enrollment_id}).scalars())


def steps_of(session: Session, enrollment_id: int) -> list[CourseStep]:
    """Return the same in brief; fewer sealed columns have to be opened."""
    return [*map(CourseStep._make, session.connection().execute(_STEPS_OF, {"enrollment": enrollment_id}))]


def spent_of(messages: Sequence[Message]) -> Mapping[str, Mapping[int, datetime]]:
    """Return by key and occurrence when what was said, or may have been, was planned; joined ones with their host."""
    hosts = {f"{each.key}:{each.occurrence}" for each in messages if each.state in SPENT}
    spent: dict[str, dict[int, datetime]] = {}
    for each in messages:
        if each.state in SPENT or (each.state == MessageState.JOINED and each.joined_into in hosts):
            spent.setdefault(each.key, {})[each.occurrence] = each.planned_at
    return spent


def cancel_waiting(session: Session, enrollment_id: int, *, detail: str) -> int:
    """Cancel every message of a course that still waits; returns how many there were.

    What was joined into a message that went out was said with it, and stays as it is.
    """
    messages = messages_of(session, enrollment_id)
    said = spent_of(messages)
    waiting = [each for each in messages if _waits(each) and each.occurrence not in said.get(each.key, ())]
    changed = session.execute(
        update(Message)
        .where(
            col(Message.id).in_([each.id for each in waiting]),
            col(Message.state).in_((MessageState.SCHEDULED, MessageState.JOINED)),
        )
        .values(state=MessageState.CANCELLED, detail=detail)
    )
    return changed.rowcount if isinstance(changed, CursorResult) else 0


def _waits(message: Message) -> bool:
    return message.state in {MessageState.SCHEDULED, MessageState.JOINED}


def change_message(
    session: Session, message_id: int, *, was: MessageState, event: MessageEvent | None, values: Mapping[str, Any]
) -> bool:
    """Change a message if it still is in the state `was`; returns False when it moved on meanwhile."""
    state = was if event is None else next_state(was, event)
    hashed = {"address_key": values["address"]} if "address" in values else {}  # only a new row fills it by itself
    changed = session.execute(
        update(Message)
        .where(col(Message.id) == message_id, col(Message.state) == was)
        .values(**{**values, **hashed, "state": state})
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def waiting_messages(session: Session, patient_id: int, *, beside: int | None) -> list[Message]:
    """Return the messages of the patient's other courses that wait, were said or are joined, for overlaps."""
    states = (*(SPENT - {MessageState.FAILED}), MessageState.SCHEDULED, MessageState.JOINED)
    ids = [each.id for each in enrollments_of(session, patient_id) if each.id != beside]
    statement = select(Message).where(col(Message.enrollment_id).in_(ids), col(Message.state).in_(states))
    return list(session.execute(statement).scalars())


# Built once, as enrolling a list runs them hundreds of times a second.
_ADD_ENROLLMENTS = (
    insert(_ENROLLMENTS).values(state="active").returning(_ENROLLMENTS.c.id, sort_by_parameter_order=True)
)
_APPROVED = (
    select(_APPROVALS.c.id)
    .where(_APPROVALS.c.practice_id == bindparam("practice_id"), _APPROVALS.c.content_hash == bindparam("content_hash"))
    .limit(1)
)
_ENROLLMENTS_OF = (
    select(Enrollment).where(col(Enrollment.patient_id) == bindparam("patient")).order_by(col(Enrollment.id))
)
_ENROLLMENTS_OF_ALL = (
    select(Enrollment)
    .where(col(Enrollment.patient_id).in_(bindparam("patients", expanding=True)))
    .order_by(col(Enrollment.id))
)
_ENROLLMENTS_IN = _ENROLLMENTS_OF.where(col(Enrollment.state) == bindparam("in_state"))
_OF_COURSE = MESSAGES.c.enrollment_id == bindparam("enrollment")
_IN_SEND_ORDER = (MESSAGES.c.send_at, MESSAGES.c.importance, MESSAGES.c.id)
_MESSAGES_OF = select(Message).where(_OF_COURSE).order_by(*_IN_SEND_ORDER)
_STEPS_OF = select(*(MESSAGES.c[name] for name in CourseStep._fields)).where(_OF_COURSE).order_by(*_IN_SEND_ORDER)
