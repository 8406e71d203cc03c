"""A course's messages as rows of the message table: one for each instruction and occurrence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypedDict

from reminders.care.values import Channel, Joined, Occurrence, Outcome, Reason
from reminders.desk.composing import Composed, ComposedCourse
from reminders.records.message_states import MessageState

_STATES = {
    Outcome.SCHEDULED: MessageState.SCHEDULED.value,
    Outcome.AT_CHECKOUT: MessageState.AT_CHECKOUT.value,
    Outcome.WITHHELD: MessageState.WITHHELD.value,
}


class NewMessage(TypedDict):
    """The columns of a planned message; a dictionary, as thousands are made in a second."""

    practice_id: str
    patient_id: int
    enrollment_id: int
    answers_reply_id: None
    kind: str
    key: str
    occurrence: int
    text_name: str
    joined_into: str | None
    channel: str
    address: str
    language: str
    state: str
    planned_at: datetime
    send_at: datetime
    due_at: datetime
    useful_until: datetime
    required: bool
    importance: int
    in_doubt: str
    asks: str | None
    subject: str | None
    text: str
    markdown: str | None
    encoding: str | None
    segments: int
    reasons: list[dict[str, str]]
    detail: str | None


@dataclass(frozen=True, kw_only=True)
class Belonging:
    """Whose messages they are."""

    practice_id: str
    patient_id: int
    enrollment_id: int
    addresses: Mapping[Channel, str]


def rows_of(composed: ComposedCourse, whose: Belonging) -> list[NewMessage]:
    """Return the course's messages as rows, joined ones with their host."""
    language = composed.resolved.course.language
    rows: list[NewMessage] = []
    for message in composed.messages:
        first, *others = message.joined.members
        row = _row(message.joined, first, whose, language)
        _say(row, message)
        rows.append(row)
        rows += (_joined_row(message.joined, member, whose, language) for member in others)
    return rows


def _say(row: NewMessage, message: Composed) -> None:
    """Put the words into a row, and what holds for all that the message says."""
    joined, rendered = message.joined, message.rendered
    row["useful_until"] = joined.useful_until
    row["subject"] = rendered.subject
    row["text"] = rendered.text
    row["markdown"] = rendered.markdown
    row["encoding"] = rendered.encoding
    row["segments"] = rendered.segments
    row["reasons"] = _reasons(joined.reasons)
    if len(joined.members) > 1:
        row["required"] = joined.required
        row["in_doubt"] = joined.in_doubt.value
        row["asks"] = joined.asks and joined.asks.value


def _joined_row(joined: Joined, member: Occurrence, whose: Belonging, language: str) -> NewMessage:
    row = _row(joined, member, whose, language)
    row["reasons"] = _reasons(member.reasons)
    if joined.outcome is Outcome.SCHEDULED:
        row["state"] = MessageState.JOINED.value
        row["joined_into"] = f"{joined.first.key}:{joined.first.occurrence}"
    return row


def _row(joined: Joined, member: Occurrence, whose: Belonging, language: str) -> NewMessage:
    return {
        "practice_id": whose.practice_id,
        "patient_id": whose.patient_id,
        "enrollment_id": whose.enrollment_id,
        "answers_reply_id": None,
        "kind": "instruction",
        "key": member.key,
        "occurrence": member.occurrence,
        "text_name": member.text_name,
        "joined_into": None,
        "channel": member.channel.value,
        "address": whose.addresses[member.channel],
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
        "reasons": [],
        "detail": None,
    }


def _reasons(reasons: Sequence[Reason]) -> list[dict[str, str]]:
    return [{"rule": reason.rule, "text": reason.text} for reason in reasons]
