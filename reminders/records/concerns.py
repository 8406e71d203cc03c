"""Queries about concerns: what a human must deal with, and everything that was done about it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, CursorResult, bindparam, case, func, insert, literal_column, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from reminders.records.columns import Instant
from reminders.records.compiled import Compiled
from reminders.records.tables import Patient, Reply
from reminders.records.tables_concerns import Concern, ConcernEvent
from reminders.words import marked

_CONCERNS = SQLModel.metadata.tables["concern"]
_EVENTS = SQLModel.metadata.tables["concern_event"]
# Built once, and no objects: enrolling a list opens a task for one patient after the other.
_ADD = insert(_CONCERNS).returning(_CONCERNS.c.id, sort_by_parameter_order=True)
_ADD_EVENT = insert(_EVENTS)
_ADD_ONE_EVENT = Compiled(_ADD_EVENT.values({name: bindparam(name) for name in {*_EVENTS.c.keys()} - {"id"}}))

URGENCIES = (marked("emergency"), marked("urgent"), marked("routine"))
"""Most urgent first."""

_BY_URGENCY = case(
    {name: rank for rank, name in enumerate(URGENCIES)}, value=col(Concern.urgency), else_=len(URGENCIES)
)


class ConcernRow(NamedTuple):
    """A concern as a list shows it."""

    id: int
    urgency: str
    state: str
    summary: str
    due_at: datetime
    taken_by: str | None
    closed_at: datetime | None
    outcome: str | None
    patient_id: int | None
    first_name: str | None
    last_name: str | None
    zone: str | None
    said: str | None
    """What was written last of what it is about."""


def open_concern(session: Session, concern: Concern, *, by: str, note: str = "", reply_id: int | None = None) -> int:
    """Add a concern with the first line of its history and return its id."""
    (concern_id,) = open_concerns_at_once(session, [concern], by=by, note=note, reply_id=reply_id)
    return concern_id


def open_concerns_at_once(
    session: Session, concerns: Sequence[Concern], *, by: str, note: str = "", reply_id: int | None = None
) -> Sequence[int]:
    """Add concerns, each with the first line of its history, and return their ids in the same order."""
    if not concerns:
        return ()
    connection = session.connection()
    ids = connection.execute(_ADD, [each.model_dump(exclude={"id"}) for each in concerns]).scalars().all()
    opened = {"action": "opened", "by": by, "note": note, "reply_id": reply_id}
    connection.execute(
        _ADD_EVENT,
        [
            {**opened, "practice_id": each.practice_id, "concern_id": concern_id, "at": each.opened_at}
            for each, concern_id in zip(concerns, ids, strict=True)
        ],
    )
    return ids


def add_event(session: Session, event: ConcernEvent) -> None:
    """Add a line to a concern's history."""
    session.flush()
    _ADD_ONE_EVENT.run(session.connection(), [event.model_dump(exclude={"id"})])


def concern_of(session: Session, concern_id: int) -> Concern | None:
    """Return a concern, None when there is none with this id."""
    return session.get(Concern, concern_id)


def open_concerns(session: Session, practice_id: str, *, closed_too: bool = False) -> list[Concern]:
    """Return the practice's concerns, most urgent first, then by when they are due."""
    statement = select(Concern).where(col(Concern.practice_id) == practice_id)
    if not closed_too:
        statement = statement.where(_NOT_CLOSED)
    return list(session.execute(statement.order_by(_BY_URGENCY, col(Concern.due_at), col(Concern.id))).scalars())


def concerns_after(
    session: Session, practice_id: str, *, states: Collection[str], after: int, most: int
) -> list[Concern]:
    """Return the first `most` concerns in any of these states whose number is above `after`, by number."""
    statement = select(Concern).where(
        col(Concern.practice_id) == practice_id, col(Concern.state).in_(states), col(Concern.id) > after
    )
    if "closed" not in states:
        statement = statement.where(_NOT_CLOSED)
    return list(session.execute(statement.order_by(col(Concern.id)).limit(most)).scalars())


def open_rows(session: Session, practice_id: str) -> list[ConcernRow]:
    """Return the practice's concerns that are not closed, most urgent first, then by when they are due."""
    return [*map(ConcernRow._make, session.connection().execute(_OPEN_ROWS, {"practice": practice_id}).all())]


def closed_rows(session: Session, practice_id: str, since: datetime) -> list[ConcernRow]:
    """Return the concerns that were closed since an instant, the latest first, a hundred at most."""
    values = {"practice": practice_id, "since": since}
    return [*map(ConcernRow._make, session.connection().execute(_CLOSED_ROWS, values).all())]


def concerns_of_patient(session: Session, patient_id: int) -> list[Concern]:
    """Return every concern about a patient, oldest first."""
    statement = select(Concern).where(col(Concern.patient_id) == patient_id).order_by(col(Concern.id))
    return list(session.execute(statement).scalars())


def concerns_to_join(session: Session, patient_ids: Collection[int], *, kind: str) -> dict[int, Concern]:
    """Return by patient the newest concern of a kind that is not closed: a later reply joins it.

    On PostgreSQL nobody else changes it until the transaction ends.
    """
    if not patient_ids:
        return {}
    found = session.execute(_TO_JOIN, {"patients": [*patient_ids], "kind": kind}).scalars()
    return {each.patient_id: each for each in found if each.patient_id is not None}


def concerns_of_strangers(
    session: Session, practice_id: str, channel: str, senders: Collection[str]
) -> dict[str, Concern]:
    """Return by sender the newest concern that is not closed and began with a reply of theirs; nobody knows them.

    On PostgreSQL nobody else changes it until the transaction ends.
    """
    if not senders:
        return {}
    values = {"practice": practice_id, "channel": channel, "senders": [*senders]}
    return {sender: concern for concern, sender in session.execute(_OF_STRANGERS, values)}


def change_concern(session: Session, concern_id: int, *, was: Sequence[str], **values: Any) -> bool:
    """Change a concern if it is in one of the states `was`; returns False when somebody else was faster."""
    changed = session.execute(
        update(Concern).where(col(Concern.id) == concern_id, col(Concern.state).in_(was)).values(**values)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def history_of(session: Session, concern_id: int) -> list[ConcernEvent]:
    """Return a concern's history, oldest first."""
    statement = select(ConcernEvent).where(col(ConcernEvent.concern_id) == concern_id).order_by(col(ConcernEvent.id))
    return list(session.execute(statement).scalars())


def histories_of(session: Session, concern_ids: Sequence[int]) -> dict[int, tuple[ConcernEvent, ...]]:
    """Return the histories of concerns, each oldest first."""
    found: dict[int, tuple[ConcernEvent, ...]] = {}
    for event in session.execute(_HISTORIES, {"concerns": [*concern_ids]}).scalars() if concern_ids else ():
        found[event.concern_id] = (*found.get(event.concern_id, ()), event)
    return found


def must_notify(session: Session, practice_id: str, now: datetime) -> bool:
    """Say whether `concerns_to_notify` would find any."""
    statement = select(col(Concern.id)).where(*_to_notify(practice_id, now)).limit(1)
    return session.execute(statement).first() is not None


def concerns_to_notify(session: Session, practice_id: str, now: datetime) -> list[Concern]:
    """Return open concerns whose next person has to be told by now, or for which that was not reckoned yet.

    On PostgreSQL what another worker has in hand is passed over.
    """
    statement = select(Concern).where(*_to_notify(practice_id, now)).order_by(_BY_URGENCY, col(Concern.id))
    return list(session.execute(statement.with_for_update(skip_locked=True)).scalars())


def _to_notify(practice_id: str, now: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        col(Concern.practice_id) == practice_id,
        col(Concern.state) == literal_column("'open'"),  # word for word, as the partial index has it
        or_(col(Concern.notify_at).is_(None), col(Concern.notify_at) <= now),
    )


def next_notice_at(session: Session, practice_id: str) -> datetime | None:
    """Return when the next person has to be told of an open concern; None when nobody has."""
    statement = select(func.min(col(Concern.notify_at), type_=Instant())).where(
        col(Concern.practice_id) == practice_id, col(Concern.state) == literal_column("'open'")
    )
    found: datetime | None = session.execute(statement).scalar()
    return found


def count_step(session: Session, concern_id: int, *, steps: int, notify_at: datetime) -> bool:
    """Count one more person as told of an open concern; False when somebody took it or counted meanwhile."""
    changed = session.execute(
        update(Concern)
        .where(col(Concern.id) == concern_id, col(Concern.state) == "open", col(Concern.notified_steps) == steps)
        .values(notified_steps=steps + 1, notify_at=notify_at)
    )
    return isinstance(changed, CursorResult) and changed.rowcount == 1


def open_about(session: Session, practice_id: str, kind: str, about: str) -> int | None:
    """Return the id of the concern about a trouble that is not closed; None when there is none."""
    statement = select(col(Concern.id)).where(
        col(Concern.practice_id) == practice_id,
        col(Concern.kind) == kind,
        col(Concern.about) == about,
        col(Concern.state) != "closed",
    )
    return session.execute(statement).scalar_one_or_none()


def last_about(session: Session, practice_id: str, kind: str, about: str) -> datetime | None:
    """Return when a concern about a trouble was closed last, or opened if it is not; None when there never was one."""
    latest = func.coalesce(col(Concern.closed_at), col(Concern.opened_at))
    statement = select(func.max(latest, type_=Instant())).where(
        col(Concern.practice_id) == practice_id, col(Concern.kind) == kind, col(Concern.about) == about
    )
    found: datetime | None = session.execute(statement).scalar()
    return found


_NOT_CLOSED = col(Concern.state) != literal_column("'closed'")  # as the partial index has it
_LAST_SAID = (
    select(col(Reply.text))
    .join(ConcernEvent, col(ConcernEvent.reply_id) == col(Reply.id))
    .where(col(ConcernEvent.concern_id) == col(Concern.id))
    .order_by(col(ConcernEvent.id).desc())
    .limit(1)
    .scalar_subquery()
)
_OF_CONCERN = ("id", "urgency", "state", "summary", "due_at", "taken_by", "closed_at", "outcome", "patient_id")
_ROWS = (
    select(
        *(_CONCERNS.c[name] for name in _OF_CONCERN),
        col(Patient.first_name),
        col(Patient.last_name),
        col(Patient.zone),
        _LAST_SAID,
    )
    .outerjoin(Patient, col(Patient.id) == _CONCERNS.c.patient_id)
    .where(_CONCERNS.c.practice_id == bindparam("practice"))
)
_OPEN_ROWS = _ROWS.where(_NOT_CLOSED).order_by(_BY_URGENCY, col(Concern.due_at), col(Concern.id))
_CLOSED_ROWS = (
    _ROWS.where(col(Concern.state) == literal_column("'closed'"), col(Concern.closed_at) >= bindparam("since"))
    .order_by(col(Concern.closed_at).desc())
    .limit(100)
)
_HISTORIES = (
    select(ConcernEvent)
    .where(col(ConcernEvent.concern_id).in_(bindparam("concerns", expanding=True)))
    .order_by(col(ConcernEvent.id))
)
_HELD = {"populate_existing": True}  # what somebody else changed while we waited for it
_TO_JOIN = (
    select(Concern)
    .where(
        col(Concern.patient_id).in_(bindparam("patients", expanding=True)),
        col(Concern.kind) == bindparam("kind"),
        _NOT_CLOSED,
    )
    .order_by(col(Concern.id))
    .with_for_update()
    .execution_options(**_HELD)
)
_OF_STRANGERS = (
    select(Concern, col(Reply.sender))
    .join(ConcernEvent, col(ConcernEvent.concern_id) == col(Concern.id))
    .join(Reply, col(Reply.id) == col(ConcernEvent.reply_id))
    .where(
        col(Concern.practice_id) == bindparam("practice"),
        col(Concern.patient_id).is_(None),
        col(Concern.kind).in_(("reply", "wrong_person")),
        _NOT_CLOSED,
        col(Reply.channel) == bindparam("channel"),
        col(Reply.sender_key).in_(bindparam("senders", expanding=True)),
    )
    .order_by(col(Concern.id))
    .with_for_update(of=Concern)
    .execution_options(**_HELD)
)
