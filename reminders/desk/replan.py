"""Plan a course anew after a change of facts: first the difference, then the change; nothing is said twice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.care.schedule import Circumstances, OtherMessage
from reminders.care.timing import local_day
from reminders.care.values import Channel, Course
from reminders.desk.composing import Desk, compose
from reminders.desk.course_facts import as_json, from_json
from reminders.desk.message_rows import Belonging, NewMessage, rows_of
from reminders.desk.pinned_plans import pinned_plan
from reminders.errors import InputError, NotFound, StateError
from reminders.records import courses, people
from reminders.records.bulk import insert_messages
from reminders.records.message_states import SPENT, MessageEvent, MessageState
from reminders.records.tables import Enrollment, Message

_PLANNED_COLUMNS = (
    "text_name", "joined_into", "channel", "address", "language", "planned_at", "send_at", "useful_until", "required",
    "importance", "in_doubt", "asks", "subject", "text", "markdown", "encoding", "segments", "reasons",
)  # fmt: skip

_NEVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Change:
    """What happens to one message of the course."""

    key: str
    occurrence: int
    what: str
    """added, moved, reworded, joined, withheld, cancelled."""
    before_at: datetime | None
    after_at: datetime | None
    text: str


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A course planned anew, not stored yet."""

    enrollment_id: int
    course: Course
    changes: tuple[Change, ...]
    steps: tuple[_Step, ...]


@dataclass(frozen=True, kw_only=True)
class _Step:
    """One write: a row to add (`new`), or a row to change while it is in the state `was`."""

    new: NewMessage | None = None
    message_id: int | None = None
    was: MessageState | None = None
    event: MessageEvent | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


def propose(session: Session, desk: Desk, enrollment_id: int, course: Course) -> Proposal:
    """Return what a course's messages would become under new facts; stores nothing.

    The course goes on by the plan it began with, even when that has changed since. Raises NotFound, StateError when
    the course is not active, InputError when the plan does not allow the facts.
    """
    enrollment = active_enrollment(session, enrollment_id)
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    patient = people.patient_of(session, enrollment.patient_id)
    messages = courses.messages_of(session, enrollment_id)
    now = desk.clock.now()
    circumstances = Circumstances(
        not_before=now,
        at_desk=False,
        spent=courses.spent_of(messages),
        others=_others(courses.waiting_messages(session, enrollment.patient_id, beside=enrollment_id), session),
        sent_at=tuple(each.send_at for each in messages if each.state in SPENT),
    )
    first_name = patient.first_name if patient else ""
    composed = compose(ready, course, circumstances, desk.house, first_name=first_name)
    whose = Belonging(
        practice_id=enrollment.practice_id,
        patient_id=enrollment.patient_id,
        enrollment_id=enrollment_id,
        addresses=_addresses(session, enrollment.patient_id, course),
    )
    changes, steps = _difference(messages, rows_of(composed, whose))
    return Proposal(enrollment_id=enrollment_id, course=course, changes=changes, steps=steps)


def replan(
    session: Session, desk: Desk, enrollment_id: int, course: Course, *, shown: Sequence[Change] | None = None
) -> Proposal:
    """Store a course planned anew; with `shown`, only if it still comes to what the person was shown.

    Raises as `propose` does, and StateError when a message moved on meanwhile; then nothing was stored.
    """
    proposal = propose(session, desk, enrollment_id, course)
    if shown is not None and tuple(shown) != proposal.changes:
        raise StateError("the course moved on while you were looking; look at the difference again")
    _store(session, proposal)
    return proposal


def make_room_for(
    session: Session, desk: Desk, patient_id: int, procedure: str, course: Course
) -> tuple[Course, tuple[OtherMessage, ...]]:
    """Return the new course and the messages of the patient's courses that run already, fitted to each other.

    A twin (same procedure, day, settings and factors: two sites treated alike) is said once and names no site.
    Otherwise all of them name theirs from now on.
    """
    at = desk.clock.now()
    running = [
        (each.id, each)
        for each in courses.enrollments_of(session, patient_id, state="active")
        if each.id is not None and _runs(session, each.id, at)
    ]
    if not running:
        return course, ()
    overlaps = any(not _is_twin(each, procedure, course) for _, each in running)
    for enrollment_id, each in running if overlaps else ():
        earlier = from_json(each.facts)
        if not earlier.overlaps:
            _store(session, propose(session, desk, enrollment_id, replace(earlier, overlaps=True)))
    others = _others(courses.waiting_messages(session, patient_id, beside=None), session)
    return replace(course, overlaps=overlaps), others


def _is_twin(enrollment: Enrollment, procedure: str, course: Course) -> bool:
    earlier = from_json(enrollment.facts)
    same_day = enrollment.procedure_on == local_day(course.procedure_end, course.zone)
    same_facts = (earlier.settings, earlier.factors, earlier.zone) == (course.settings, course.factors, course.zone)
    return enrollment.procedure == procedure and same_day and same_facts and not earlier.overlaps


def refresh_others(session: Session, desk: Desk, patient_id: int, *, beside: int) -> None:
    """Plan the patient's other courses anew, as what one of them left to another may have to be said after all."""
    for enrollment in courses.enrollments_of(session, patient_id, state="active"):
        if enrollment.id is not None and enrollment.id != beside:
            _store(session, propose(session, desk, enrollment.id, from_json(enrollment.facts)))


def active_enrollment(session: Session, enrollment_id: int) -> Enrollment:
    """Return an enrollment that runs; raises NotFound or StateError."""
    enrollment = courses.enrollment_of(session, enrollment_id)
    if enrollment is None:
        raise NotFound(f"there is no enrollment {enrollment_id}")
    if enrollment.state != "active":
        raise StateError(f"enrollment {enrollment_id} is {enrollment.state}; enroll the patient anew")
    return enrollment


def _runs(session: Session, enrollment_id: int, at: datetime) -> bool:
    return any(
        each.state == MessageState.SCHEDULED and each.useful_until >= at
        for each in courses.messages_of(session, enrollment_id)
    )


def _others(messages: Sequence[Message], session: Session) -> tuple[OtherMessage, ...]:
    procedures: dict[int, str] = {}
    for each in messages:
        if each.enrollment_id is not None and each.enrollment_id not in procedures:
            enrollment = courses.enrollment_of(session, each.enrollment_id)
            procedures[each.enrollment_id] = enrollment.procedure if enrollment else ""
    return tuple(
        OtherMessage(
            procedure=procedures.get(each.enrollment_id or 0, ""),
            key=each.key,
            text_name=each.text_name,
            send_at=each.send_at,
        )
        for each in messages
    )


def _addresses(session: Session, patient_id: int, course: Course) -> Mapping[Channel, str]:
    usable = {
        Channel(contact.channel): contact.address
        for contact in people.contacts_of(session, patient_id)
        if contact.state == "active"
    }
    if course.channel not in usable:
        raise InputError(f"the patient has no address in use for {course.channel}; record consent for one first")
    return usable


def _difference(
    messages: Sequence[Message], rows: Sequence[NewMessage]
) -> tuple[tuple[Change, ...], tuple[_Step, ...]]:
    present = {(each.key, each.occurrence): each for each in messages}
    changes: list[Change] = []
    steps: list[_Step] = []
    for row in rows:
        message = present.pop((row["key"], row["occurrence"]), None)
        change, step = _added(row) if message is None else _changed(message, row)
        if step is not None:
            steps.append(step)
        if change is not None:
            changes.append(change)
    for message in present.values():
        if message.state in {MessageState.SCHEDULED, MessageState.JOINED}:
            steps.append(_step(message, MessageEvent.CANCEL, {"detail": "the facts changed"}))
            changes.append(_change_of(message, "cancelled", message.send_at, None))
    changes.sort(key=lambda each: (each.after_at or each.before_at or _NEVER, each.key))
    return tuple(changes), tuple(steps)


def _added(row: NewMessage) -> tuple[Change | None, _Step]:
    step = _Step(new=row)
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


_EVENTS = {
    MessageState.SCHEDULED: MessageEvent.REVIVE,
    MessageState.JOINED: MessageEvent.JOIN,
    MessageState.WITHHELD: MessageEvent.WITHHOLD,
}


def _changed(message: Message, row: NewMessage) -> tuple[Change | None, _Step | None]:
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
    what = _what_changed(message, was, to, row)
    if what is None:
        return None, step
    before_at = message.send_at if was in {MessageState.SCHEDULED, MessageState.JOINED} else None
    after_at = None if to is MessageState.WITHHELD else row["send_at"]
    return replace(_change_of(message, what, before_at, after_at), text=row["text"] or message.text), step


def _what_changed(message: Message, was: MessageState, to: MessageState, row: NewMessage) -> str | None:
    if was is not to:
        return {MessageState.SCHEDULED: "added", MessageState.JOINED: "joined"}.get(to, "withheld")
    if message.send_at != row["send_at"]:
        return "moved" if to is not MessageState.WITHHELD else None
    return "reworded" if message.text != row["text"] else None


def _change_of(message: Message, what: str, before_at: datetime | None, after_at: datetime | None) -> Change:
    return Change(
        key=message.key,
        occurrence=message.occurrence,
        what=what,
        before_at=before_at,
        after_at=after_at,
        text=message.text,
    )


def _step(message: Message, event: MessageEvent | None, values: Mapping[str, Any]) -> _Step:
    return _Step(message_id=message.id, was=MessageState(message.state), event=event, values=values)


def _store(session: Session, proposal: Proposal) -> None:
    for step in proposal.steps:
        if step.message_id is None or step.was is None:
            continue
        kept = courses.change_message(session, step.message_id, was=step.was, event=step.event, values=step.values)
        if not kept:
            raise StateError("a message went out while the course was planned anew; look at the difference again")
    insert_messages(session, [step.new for step in proposal.steps if step.new is not None])
    courses.set_enrollment(session, proposal.enrollment_id, facts=as_json(proposal.course))
