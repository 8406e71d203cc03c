"""Knows which messages are due and in which order, and claims them for one worker under a lease."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    FromClause,
    Integer,
    Interval,
    Select,
    Update,
    any_,
    bindparam,
    case,
    exists,
    func,
    literal,
    literal_column,
    select,
    true,
    union_all,
    update,
)
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from reminders.care.pacing import Waiting
from reminders.records.message_states import MessageState
from reminders.records.tables import MESSAGES

_APPROVALS = SQLModel.metadata.tables["approval"]
_CONTACTS = SQLModel.metadata.tables["contact"]
_ENROLLMENTS = SQLModel.metadata.tables["enrollment"]
_PATIENTS = SQLModel.metadata.tables["patient"]

_LEVELS = range(1, 10)
"""What importance may be."""
_WINDOW = 1000
"""Of the messages of one importance, the longest due ones among which the nearest deadline goes first; at least."""
_READ_AT_ONCE = 100
"""Rows that are held as they were stored; to fetch each alone takes longer."""
_LONG_LAPSED = timedelta(minutes=10)
"""Most disturbances are over by then, and whoever has to be told that a dose is in doubt can still act."""

# The state stands in the statements word for word: a partial index can't be matched with a parameter.
_IS_SCHEDULED = MESSAGES.c.state == literal_column("'scheduled'")
_IS_SENDING = MESSAGES.c.state == literal_column("'sending'")
# Where ids name the messages already, the partial indexes must not be offered: a planner whose statistics are old
# takes one of them for empty, and reads all of it for each message.
_STILL_SCHEDULED = MESSAGES.c.state.concat("") == literal_column("'scheduled'")
_IN_QUEUE = (
    MESSAGES.c.practice_id == bindparam("practice_id"),
    MESSAGES.c.channel == bindparam("channel"),
)


class Queue(NamedTuple):
    """Messages that leave under one name by one channel: those of a practice."""

    practice_id: str
    channel: str


class DueMessage(NamedTuple):
    """A message whose moment has come, with what the gate wants to know about it.

    A tuple, since a row of the database becomes one without a call per field.
    """

    id: int
    practice_id: str
    patient_id: int | None
    enrollment_id: int | None
    answers_reply_id: int | None
    kind: str
    key: str
    occurrence: int
    channel: str
    address: str
    language: str
    useful_until: datetime
    required: bool
    in_doubt: str
    subject: str | None
    text: str
    markdown: str | None
    encoding: str | None
    segments: int
    attempts: int
    """Hand-overs begun before this one."""
    in_reply_to: str | None
    """The Message-ID of the mail that it answers."""
    contact_state: str | None
    """None when the address is not, or no longer, one of a known patient."""
    enrollment_state: str | None
    zone: str | None
    night_contact_agreed: bool | None
    approved: bool
    """Whether somebody approved the content of the course's plan."""


class LapsedMessage(NamedTuple):
    """A message whose worker had it longer than its lease."""

    id: int
    practice_id: str
    patient_id: int | None
    enrollment_id: int | None
    answers_reply_id: int | None
    kind: str
    key: str
    channel: str
    useful_until: datetime
    required: bool
    in_doubt: str
    attempts: int
    claim_token: str
    transport: str
    long_lapsed: bool
    """Whether its lease ended so long ago that nobody should wait any more until its transport can be asked."""


@dataclass(frozen=True, kw_only=True)
class Claim:
    """What makes messages one worker's for a while."""

    token: str
    """New for every batch; whoever settles has to name it."""
    practice_id: str
    now: datetime
    lease: timedelta
    transport: str


def due_messages(session: Session, queue: Queue, *, now: datetime, limit: int) -> tuple[DueMessage, ...]:
    """Return at most `limit` due messages of a queue: by importance, then by the nearest deadline.

    On PostgreSQL they are locked until the transaction ends and what others locked is passed over.
    """
    return _in_order(session, queue, _Wanted(_DUE, _DUE_ON_POSTGRESQL, now, limit))


def expired_messages(session: Session, queue: Queue, *, now: datetime, limit: int) -> tuple[DueMessage, ...]:
    """Return, like `due_messages`, those that are of no use any more."""
    return _in_order(session, queue, _Wanted(_EXPIRED, _EXPIRED_ON_POSTGRESQL, now, limit))


def waiting_messages(session: Session, queue: Queue, *, now: datetime, limit: int) -> tuple[Waiting, ...]:
    """Return the longest due messages of a queue, at most `limit` of each importance, for deciding on their order."""
    found: list[Waiting] = []
    connection = session.connection()
    for importance, due_at in _heads(session, queue):
        if due_at <= now:
            rows = connection.execute(_WAITING, {**queue._asdict(), "level": importance, "now": now, "wanted": limit})
            found.extend(map(Waiting._make, rows))
    return tuple(found)


def messages_named(session: Session, queue: Queue, ids: Sequence[int]) -> tuple[DueMessage, ...]:
    """Return these messages of a queue as far as they are scheduled, in this order, locked as by `due_messages`."""
    if not ids:
        return ()
    connection = session.connection()
    statement = _NAMED_ON_POSTGRESQL if connection.dialect.name == "postgresql" else _NAMED
    rows = connection.execute(statement, {**queue._asdict(), "ids": list(ids)}).all()
    by_id = {row.id: row for row in map(DueMessage._make, rows)}
    return tuple(by_id[each] for each in ids if each in by_id)


def next_due_at(session: Session, queue: Queue) -> datetime | None:
    """Return the moment of the next message of a queue; None when none waits."""
    return min((due_at for _, due_at in _heads(session, queue)), default=None)


def claim(session: Session, ids: Sequence[int], by: Claim) -> int:
    """Make scheduled messages of a practice one worker's and note the attempt; return how many were still to be had."""
    connection = session.connection()
    on_postgresql = connection.dialect.name == "postgresql"
    values = {"of_practice": by.practice_id, "token": by.token, "at": by.now, "by": by.transport, "ids": list(ids)}
    # Several hosts share a PostgreSQL server and no clock but its own; a SQLite file has one host.
    if on_postgresql:
        return connection.execute(_CLAIM_ON_POSTGRESQL, {**values, "lease": by.lease}).rowcount
    return connection.execute(_CLAIM, {**values, "until": by.now + by.lease}).rowcount


def anybody_withdrew(session: Session, ids: Sequence[int]) -> bool:
    """Say whether one of these messages of a course goes to an address that may not be used any more."""
    usable = exists().where(
        _CONTACTS.c.patient_id == MESSAGES.c.patient_id,
        _CONTACTS.c.channel == MESSAGES.c.channel,
        _CONTACTS.c.address_key == MESSAGES.c.address_key,
        _CONTACTS.c.state == "active",
    )
    statement = select(MESSAGES.c.id).where(MESSAGES.c.id.in_(ids), MESSAGES.c.kind == "instruction", ~usable).limit(1)
    return session.connection().execute(statement).first() is not None


def lapsed_messages(
    session: Session, practice_id: str, channels: Sequence[str], *, now: datetime, limit: int
) -> tuple[LapsedMessage, ...]:
    """Return a practice's messages whose lease ended without an outcome: their worker died or lost its way."""
    connection = session.connection()
    lease_until = MESSAGES.c.lease_until
    clock: ColumnElement[Any] = literal(now, lease_until.type)
    long_ago: ColumnElement[Any] = literal(now - _LONG_LAPSED, lease_until.type)
    if connection.dialect.name == "postgresql":
        clock = func.clock_timestamp()
        long_ago = clock - literal(_LONG_LAPSED, Interval())
    lapsed = (
        select(*(MESSAGES.c[name] for name in LapsedMessage._fields[:-1]), lease_until <= long_ago)
        .where(
            _IS_SENDING,
            MESSAGES.c.practice_id == practice_id,
            lease_until <= clock,
            MESSAGES.c.channel.in_(channels),
        )
        .order_by(lease_until)
        .limit(limit)
    )
    return tuple(map(LapsedMessage._make, connection.execute(lapsed)))


def next_lapse_at(session: Session, practice_id: str) -> datetime | None:
    """Return when the first lease of a practice ends; None when nothing is in anybody's hands."""
    found: datetime | None = session.connection().execute(_NEXT_LAPSE, {"practice_id": practice_id}).scalar()
    return found


class _Wanted(NamedTuple):
    """Which messages are looked for, and by which statement."""

    statement: Select[Any]
    on_postgresql: Select[Any]
    now: datetime
    limit: int


def _in_order(session: Session, queue: Queue, which: _Wanted) -> tuple[DueMessage, ...]:
    found: list[DueMessage] = []
    connection = session.connection()
    on_postgresql = connection.dialect.name == "postgresql"
    statement = which.on_postgresql if on_postgresql else which.statement
    for importance, due_at in _heads(session, queue):
        wanted = which.limit - len(found)
        if wanted <= 0:
            break
        if due_at <= which.now:
            # Each worker locks what it takes, so it has to see more than its share to find some that are free.
            window = max(_WINDOW, 4 * wanted) if on_postgresql else _WINDOW
            values = {**queue._asdict(), "level": importance, "now": which.now, "window": window, "wanted": wanted}
            for rows in connection.execute(statement, values).partitions(_READ_AT_ONCE):
                found.extend(map(DueMessage._make, rows))
    return tuple(found)


def _heads(session: Session, queue: Queue) -> list[tuple[int, datetime]]:
    """Return for each importance the due moment of its first message; one look into the index each."""
    rows = session.connection().execute(_HEADS, queue._asdict())
    return [(level, due_at) for level, due_at in rows if due_at is not None]


def _head(level: int) -> Select[Any]:
    first = select(func.min(MESSAGES.c.due_at, type_=MESSAGES.c.due_at.type)).where(
        _IS_SCHEDULED,
        *_IN_QUEUE,
        MESSAGES.c.importance == literal_column(str(level)),
    )
    return select(literal_column(str(level)).label("level"), first.scalar_subquery().label("due_at"))


def _due(*narrowed: ColumnElement[bool], on_postgresql: bool) -> Select[Any]:
    window = (
        select(MESSAGES.c.id, MESSAGES.c.useful_until)
        .where(*_DUE_AT_LEVEL, *narrowed)
        .order_by(MESSAGES.c.due_at, MESSAGES.c.useful_until)  # of those due at one moment, the most pressing
        .limit(bindparam("window", type_=Integer()))
        .subquery()
    )
    nearest = select(window.c.id).order_by(window.c.useful_until, window.c.id)
    wanted = bindparam("wanted", type_=Integer())
    if on_postgresql:
        messages = _locked(func.array(nearest.scalar_subquery())).limit(wanted).subquery()
    else:
        messages = _named(MESSAGES.c.id.in_(nearest.limit(wanted)), on_postgresql=False).subquery()
    return _whole(messages).order_by(messages.c.useful_until, messages.c.id)


def _locked(ids: ColumnElement[Any]) -> Select[Any]:
    """Return what locks the messages of an array one by one, in its order, and passes over those that others locked.

    Each is looked up for itself, so that a limit ends it before the rest is read.
    """
    turn = func.unnest(ids).table_valued("id").render_derived(name="turn")
    free = _named(MESSAGES.c.id == turn.c.id, on_postgresql=True).with_for_update(skip_locked=True).lateral()
    return select(free).select_from(turn.join(free, true()))


def _named(which: ColumnElement[bool], *, on_postgresql: bool) -> Select[Any]:
    """Return what reads messages of a practice that are named by their ids, as far as they are scheduled."""
    columns = (MESSAGES.c[name] for name in (*_OF_MESSAGE, "address_key"))
    return select(*columns).where(_of_practice("practice_id", on_postgresql=on_postgresql), _STILL_SCHEDULED, which)


def _of_practice(parameter: str, *, on_postgresql: bool) -> ColumnElement[bool]:
    """Return the condition on messages that are named by their ids already.

    SQLite knows no statistics: offered the bare column, it takes the practice's whole queue in `ix_message_due` for
    narrower than some ids. PostgreSQL needs the bare column to choose a partition.
    """
    column = MESSAGES.c.practice_id if on_postgresql else MESSAGES.c.practice_id.concat("")
    return column == bindparam(parameter)


def _whole(messages: FromClause) -> Select[Any]:
    """Return what reads messages with what the gate wants to know about them."""
    approved = exists().where(
        _APPROVALS.c.practice_id == _ENROLLMENTS.c.practice_id,
        _APPROVALS.c.content_hash == _ENROLLMENTS.c.content_hash,
    )
    return (
        select(
            *(messages.c[name] for name in _OF_MESSAGE),
            _CONTACTS.c.state,
            # a course that pauses is one that does not run now
            case((_ENROLLMENTS.c.paused_at.is_not(None), literal("paused")), else_=_ENROLLMENTS.c.state),
            _PATIENTS.c.zone,
            _PATIENTS.c.night_contact_agreed,
            approved.label("approved"),
        )
        .select_from(messages)
        .outerjoin(_ENROLLMENTS, _ENROLLMENTS.c.id == messages.c.enrollment_id)
        .outerjoin(_PATIENTS, _PATIENTS.c.id == messages.c.patient_id)
        .outerjoin(
            _CONTACTS,
            (_CONTACTS.c.patient_id == messages.c.patient_id)
            & (_CONTACTS.c.channel == messages.c.channel)
            & (_CONTACTS.c.address_key == messages.c.address_key),
        )
    )


def _is_named(*, on_postgresql: bool) -> ColumnElement[bool]:
    """Return the condition that an id is one of those given; one statement for any number of them where that can be."""
    if on_postgresql:
        return MESSAGES.c.id == any_(_IDS)
    return MESSAGES.c.id.in_(bindparam("ids", expanding=True))


_OF_MESSAGE = DueMessage._fields[: DueMessage._fields.index("contact_state")]
_IDS = bindparam("ids", type_=ARRAY(BigInteger))
_DUE_AT_LEVEL = (
    _IS_SCHEDULED,
    *_IN_QUEUE,
    MESSAGES.c.importance == bindparam("level"),
    MESSAGES.c.due_at <= bindparam("now"),
)
_HEADS = union_all(*(_head(level) for level in _LEVELS))
_DUE = _due(on_postgresql=False)
_DUE_ON_POSTGRESQL = _due(on_postgresql=True)
_IS_EXPIRED = MESSAGES.c.useful_until < bindparam("now")
_EXPIRED = _due(_IS_EXPIRED, on_postgresql=False)
_EXPIRED_ON_POSTGRESQL = _due(_IS_EXPIRED, on_postgresql=True)
_WAITING = (
    select(*(MESSAGES.c[name] for name in Waiting._fields))
    .where(*_DUE_AT_LEVEL)
    .order_by(MESSAGES.c.due_at, MESSAGES.c.useful_until)
    .limit(bindparam("wanted"))
)
_NAMED = _whole(_named(_is_named(on_postgresql=False), on_postgresql=False).subquery())
_NAMED_ON_POSTGRESQL = _whole(_locked(_IDS).subquery())
_NEXT_LAPSE = select(func.min(MESSAGES.c.lease_until, type_=MESSAGES.c.lease_until.type)).where(
    _IS_SENDING, MESSAGES.c.practice_id == bindparam("practice_id")
)


def _claimed(*, on_postgresql: bool) -> Update:
    return (
        update(MESSAGES)
        .where(
            _is_named(on_postgresql=on_postgresql),
            _of_practice("of_practice", on_postgresql=on_postgresql),
            _STILL_SCHEDULED,
        )
        .values(
            state=MessageState.SENDING.value,
            claim_token=bindparam("token"),
            handed_at=bindparam("at"),
            transport=bindparam("by"),
            attempts=MESSAGES.c.attempts + 1,
            settled_at=None,
            detail=None,
        )
    )


_CLAIM = _claimed(on_postgresql=False).values(lease_until=bindparam("until"))
_CLAIM_ON_POSTGRESQL = _claimed(on_postgresql=True).values(
    lease_until=func.clock_timestamp() + bindparam("lease", type_=Interval())
)
