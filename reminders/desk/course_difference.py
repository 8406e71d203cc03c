"""What new facts do to each message of a course: the difference as people read it, and the writes that bring it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from reminders.desk.message_rows import NewMessage
from reminders.records.courses import spent_of
from reminders.records.message_states import SPENT, MessageEvent, MessageState
from reminders.records.tables import Message
from reminders.sentences import english

_PLANNED_COLUMNS = (
    "text_name", "joined_into", "channel", "address", "language", "planned_at", "send_at", "useful_until", "required",
    "importance", "in_doubt", "asks", "subject", "text", "markdown", "encoding", "segments", "reasons",
)  # fmt: skip
_WAITING = {MessageState.SCHEDULED, MessageState.JOINED}
_EVENTS = {
    MessageState.SCHEDULED: MessageEvent.REVIVE,
    MessageState.JOINED: MessageEvent.JOIN,
    MessageState.WITHHELD: MessageEvent.WITHHOLD,
}
_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Change:
    """What happens to one message of the course."""

    key: str
    occurrence: int
    what: str
    """added, moved, reworded, readdressed, joined, withheld, cancelled."""
    before_at: datetime | None
    after_at: datetime | None
    text: str


@dataclass(frozen=True, kw_only=True)
class Step:
    """One write: a row to add (`new`), or a row to change while it is in the state `was`."""

    new: NewMessage | None = None
    message_id: int | None = None
    was: MessageState | None = None
    event: MessageEvent | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


def difference(
    messages: Sequence[Message], rows: Sequence[NewMessage], *, now: datetime
) -> tuple[tuple[Change, ...], tuple[Step, ...]]:
    """Return what becomes of a course's `messages` when it is planned as `rows`; what was said stays as it is."""
    said = spent_of(messages)
    present = {(each.key, each.occurrence): each for each in messages}
    changes: list[Change] = []
    steps: list[Step] = []
    for row in rows:
        message = present.pop((row["key"], row["occurrence"]), None)
        change, step = _added(row) if message is None else _changed(message, row, now)
        if step is not None:
            steps.append(step)
        if change is not None:
            changes.append(change)
    for message in present.values():
        if message.repeats_id is not None:
            continue  # a question asked again is not in the plan, and waits for its own answer
        if message.state in _WAITING and message.occurrence not in said.get(message.key, ()):
            steps.append(_step(message, MessageEvent.CANCEL, {"detail": english("the facts changed")}))
            changes.append(_change_of(message, "cancelled", message.send_at, None))
    changes.sort(key=lambda each: (each.after_at or each.before_at or _NEVER, each.key))
    return tuple(changes), tuple(steps)


def waiting_changes(messages: Sequence[Message]) -> tuple[Change, ...]:
    """Return what ending a course does to its messages: those that still wait are cancelled."""
    said = spent_of(messages)
    waiting = [each for each in messages if each.state in _WAITING and each.occurrence not in said.get(each.key, ())]
    return tuple(_change_of(each, "cancelled", each.send_at, None) for each in waiting)


def _added(row: NewMessage) -> tuple[Change | None, Step]:
    step = Step(new=row)
    if row["state"] == MessageState.WITHHELD:
        return None, step
    added = Change(
        key=row["key"],
        occurrence=row["occurrence"],
        what="added",
        before_at=None,
        after_at=row["send_at"],
        text=row["text"],
    )
    return added, step


def _changed(message: Message, row: NewMessage, now: datetime) -> tuple[Change | None, Step | None]:
    """Return what becomes of a message that is there already; nothing when it was said or stays as it is."""
    was, to = MessageState(message.state), MessageState(row["state"])
    if was in SPENT or to is MessageState.AT_CHECKOUT:
        return None, None
    planned: Mapping[str, Any] = row
    values = {name: planned[name] for name in _PLANNED_COLUMNS}
    same = all(getattr(message, name) == value for name, value in values.items())
    if was is to and same:
        return None, None
    event = None if was is to else _EVENTS[to]
    step = _step(message, event, {**values, "due_at": row["send_at"], "detail": None})
    what = _what_changed(message, to, row, now)
    if what is None:
        return None, step
    before_at = message.send_at if was in _WAITING else None
    after_at = None if to is MessageState.WITHHELD else row["send_at"]
    return replace(_change_of(message, what, before_at, after_at), text=row["text"] or message.text), step


def _what_changed(message: Message, to: MessageState, row: NewMessage, now: datetime) -> str | None:
    if message.state != to:
        return {MessageState.SCHEDULED: "added", MessageState.JOINED: "joined"}.get(to, "withheld")
    if to is MessageState.WITHHELD:
        return None
    if message.send_at != row["send_at"] and max(message.send_at, row["send_at"]) > now:
        return "moved"
    if message.text != row["text"]:
        return "reworded"
    return "readdressed" if message.address != row["address"] else None


def _change_of(message: Message, what: str, before_at: datetime | None, after_at: datetime | None) -> Change:
    return Change(
        key=message.key,
        occurrence=message.occurrence,
        what=what,
        before_at=before_at,
        after_at=after_at,
        text=message.text,
    )


def _step(message: Message, event: MessageEvent | None, values: Mapping[str, Any]) -> Step:
    return Step(message_id=message.id, was=MessageState(message.state), event=event, values=values)
