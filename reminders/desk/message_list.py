"""The messages of a course, or of the practice, as staff look at them: each with its patient and their clock."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.care.values import Reason
from reminders.desk.composing import Desk
from reminders.errors import InputError, NotFound
from reminders.records import courses, finding, people
from reminders.records.finding import MessageFilter, Place, Window
from reminders.records.message_states import MessageState
from reminders.records.tables import Message, Patient
from reminders.words import gettext

_LOOKED_AT = 2000


@dataclass(frozen=True, kw_only=True)
class ListedMessage:
    """One message."""

    id: int
    enrollment_id: int | None
    patient_id: int | None
    patient: str
    """First and last name; empty when it is nobody's."""
    zone: ZoneInfo
    """The patient's, else the practice's."""
    kind: str
    key: str
    occurrence: int
    joined_into: str | None
    channel: str
    address: str
    state: str
    planned_at: datetime
    send_at: datetime
    useful_until: datetime
    settled_at: datetime | None
    required: bool
    text: str
    """Empty for what is said within another message, or was not sent before it had words."""
    encoding: str | None
    segments: int
    reasons: tuple[Reason, ...]
    attempts: int
    transport: str | None
    transport_ref: str | None
    detail: str | None


def list_messages(session: Session, desk: Desk, wanted: MessageFilter) -> tuple[ListedMessage, ...]:
    """Return messages in send order; raises NotFound for an unknown enrollment, InputError for an unknown state."""
    known = [str(state) for state in MessageState]
    if unknown := [state for state in wanted.states if state not in known]:
        raise InputError(gettext("no state {unknown!r}; there are {known}", unknown=unknown[0], known=", ".join(known)))
    if wanted.enrollment_id is not None:
        enrollment = courses.enrollment_of(session, wanted.enrollment_id)
        if enrollment is None or enrollment.practice_id != desk.practice_id:
            raise NotFound(
                gettext(
                    "there is no enrollment {enrollment_id}; `reminders enrollments` lists them",
                    enrollment_id=wanted.enrollment_id,
                )
            )
    return listed(session, desk, finding.find_messages(session, desk.practice_id, wanted))


@dataclass(frozen=True, kw_only=True)
class MessagePage:
    """A part of a long list."""

    messages: tuple[ListedMessage, ...]
    """In the order in which they go out; fewer than asked for, or none, where many were passed over."""
    goes_on: Place | None
    """Where the next part begins; None at the end."""


def message_page(
    session: Session, desk: Desk, window: Window, *, states: Collection[MessageState], limit: int
) -> MessagePage:
    """Return up to `limit` messages of a window in any of these states, in all of them when none is named.

    Only so many are looked at, however rare the state: a page always comes soon, and may be short.
    """
    seen = finding.message_states_in(session, desk.practice_id, window, most=_LOOKED_AT if states else limit + 1)
    wanted = [place for place, state in seen if not states or state in states]
    taken = wanted[:limit]
    seen_all = not states or len(seen) < _LOOKED_AT
    at_end = None if seen_all else seen[-1][0]
    goes_on = taken[-1] if len(wanted) > limit else at_end
    found = finding.messages_by_id(session, [place.id for place in taken])
    messages = listed(session, desk, [found[place.id] for place in taken])
    return MessagePage(messages=messages, goes_on=goes_on)


def listed(session: Session, desk: Desk, messages: Sequence[Message]) -> tuple[ListedMessage, ...]:
    """Return messages with their patients."""
    ids = {each.patient_id for each in messages if each.patient_id is not None}
    patients = people.patients_of(session, ids)
    return tuple(_listed(each, patients.get(each.patient_id or 0), desk.zone) for each in messages)


def full_name(patient: Patient | None) -> str:
    """Return first and last name, empty for nobody."""
    return f"{patient.first_name} {patient.last_name}".strip() if patient else ""


def _listed(message: Message, patient: Patient | None, zone: ZoneInfo) -> ListedMessage:
    return ListedMessage(
        id=message.id or 0,
        enrollment_id=message.enrollment_id,
        patient_id=message.patient_id,
        patient=full_name(patient),
        zone=ZoneInfo(patient.zone) if patient else zone,
        kind=message.kind,
        key=message.key,
        occurrence=message.occurrence,
        joined_into=message.joined_into,
        channel=message.channel,
        address=message.address,
        state=message.state,
        planned_at=message.planned_at,
        send_at=message.send_at,
        useful_until=message.useful_until,
        settled_at=message.settled_at,
        required=message.required,
        text=message.text,
        encoding=message.encoding,
        segments=message.segments,
        reasons=tuple(Reason(rule=each["rule"], text=each["text"]) for each in message.reasons),
        attempts=message.attempts,
        transport=message.transport,
        transport_ref=message.transport_ref,
        detail=message.detail,
    )
