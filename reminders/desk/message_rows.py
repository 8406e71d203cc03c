"""A course's messages as rows of the message table: one for each instruction and occurrence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple, TypedDict

from reminders.care.recent import Recent
from reminders.care.values import Channel, Joined, Occurrence, Outcome, Reason
from reminders.desk.composing import Composed, ComposedCourse
from reminders.records.message_states import MessageState
from reminders.wording.render import Rendered

_STATES = {
    Outcome.SCHEDULED: MessageState.SCHEDULED.value,
    Outcome.AT_CHECKOUT: MessageState.AT_CHECKOUT.value,
    Outcome.WITHHELD: MessageState.WITHHELD.value,
}


class Moments(TypedDict):
    """The columns that say when a message goes out, and that it does."""

    state: str
    planned_at: datetime
    send_at: datetime
    due_at: datetime


class Words(TypedDict):
    """The columns that a message's words fill."""

    subject: str | None
    text: str
    markdown: str | None
    encoding: str | None
    segments: int


class PlannedMessage(Moments, Words):
    """The columns of a planned message that don't say whose it is; a dictionary, as thousands are made in a second."""

    kind: str
    key: str
    occurrence: int
    text_name: str
    joined_into: str | None
    channel: str
    language: str
    useful_until: datetime
    required: bool
    importance: int
    in_doubt: str
    asks: str | None
    reasons: list[dict[str, str]]


class Whose(TypedDict):
    """The columns that say whose a message is."""

    practice_id: str
    patient_id: int
    enrollment_id: int
    address: str


class NewMessage(PlannedMessage, Whose):
    """All columns of a planned message."""


@dataclass(frozen=True, kw_only=True)
class Belonging:
    """Whose messages they are."""

    practice_id: str
    patient_id: int
    enrollment_id: int
    addresses: Mapping[Channel, str]


def rows_of(composed: ComposedCourse, whose: Belonging) -> list[NewMessage]:
    """Return the course's messages as rows, joined ones with their host."""
    columns = columns_of(whose, composed.resolved.course.channel)
    return [{**each, **columns} for each in planned_rows(composed)]


def columns_of(whose: Belonging, channel: Channel) -> Whose:
    """Return what says whose the messages of a course by a channel are."""
    return {
        "practice_id": whose.practice_id,
        "patient_id": whose.patient_id,
        "enrollment_id": whose.enrollment_id,
        "address": whose.addresses[channel],
    }


def planned_rows(composed: ComposedCourse) -> list[PlannedMessage]:
    """Return the rest of the rows; patients of one day share many of the very same."""
    language = composed.resolved.course.language
    return [row for message in composed.messages for row in _planned(message, language)]


def due_now(now: datetime) -> Moments:
    """Return when a message goes out that nobody planned: as soon as it may."""
    return {"state": MessageState.SCHEDULED.value, "planned_at": now, "send_at": now, "due_at": now}


def words_of(rendered: Rendered) -> Words:
    """Return the columns that hold a message's words."""
    return {
        "subject": rendered.subject,
        "text": rendered.text,
        "markdown": rendered.markdown,
        "encoding": rendered.encoding,
        "segments": rendered.segments,
    }


def reasons_of(reasons: Sequence[Reason]) -> list[dict[str, str]]:
    """Return reasons as they are stored."""
    return [{"rule": reason.rule, "text": reason.text} for reason in reasons]


class _Kept(NamedTuple):
    """Rows with what they were made of: as long as they are kept, the ids of these name nothing else."""

    of: tuple[Occurrence, Rendered]
    rows: tuple[PlannedMessage, ...]


_KEPT: Recent[_Kept] = Recent(4096)


def _planned(message: Composed, language: str) -> tuple[PlannedMessage, ...]:
    first, rendered = message.joined.first, message.rendered
    if message.joined is not first.alone:
        return _rows(message, language)
    # Most patients of one day are told the same at the same moment.
    kept = _KEPT.get((id(first), id(rendered), language), lambda: _Kept((first, rendered), _rows(message, language)))
    return kept.rows


def _rows(message: Composed, language: str) -> tuple[PlannedMessage, ...]:
    joined, rendered = message.joined, message.rendered
    first, *others = joined.members
    host: PlannedMessage = {
        **_row(joined, first, language),
        "useful_until": joined.useful_until,
        "required": joined.required,
        "in_doubt": joined.in_doubt.value,
        "asks": joined.asks and joined.asks.value,
        **words_of(rendered),
        "reasons": reasons_of(joined.reasons),
    }
    return host, *(_joined_row(joined, member, language) for member in others)


def _joined_row(joined: Joined, member: Occurrence, language: str) -> PlannedMessage:
    row = _row(joined, member, language)
    if joined.outcome is Outcome.SCHEDULED:
        row["state"] = MessageState.JOINED.value
        row["joined_into"] = f"{joined.first.key}:{joined.first.occurrence}"
    return row


def _row(joined: Joined, member: Occurrence, language: str) -> PlannedMessage:
    return {
        "kind": "instruction",
        "key": member.key,
        "occurrence": member.occurrence,
        "text_name": member.text_name,
        "joined_into": None,
        "channel": member.channel.value,
        "language": language,
        "state": _STATES[joined.outcome],
        "planned_at": member.planned_at,
        "send_at": joined.send_at,
        "due_at": joined.send_at,
        "useful_until": member.useful_until,
        "required": member.required,
        "importance": member.importance,
        "in_doubt": member.in_doubt.value,
        "asks": member.asks and member.asks.value,
        "subject": None,
        "text": "",
        "markdown": None,
        "encoding": None,
        "segments": 0,
        "reasons": reasons_of(member.reasons),
    }
