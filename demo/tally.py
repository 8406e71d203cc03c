"""Reads out of the demo's database what happened: every figure of the summary comes from there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from reminders.assembly import App
from reminders.care.timing import local_day
from reminders.records.concerns import history_of, open_concerns
from reminders.records.message_states import MessageState
from reminders.records.people import contacts_of, new_id
from reminders.records.replies import replies_by_id
from reminders.records.tables import Enrollment, Message, Patient, Reply
from reminders.records.tables_concerns import Concern

_OUT = frozenset({MessageState.SENT, MessageState.DELIVERED})
_MOVES = ("quiet_hours", "not_before", "kept_apart", "joined")
_WITHHOLDS = ("withheld", "daily_limit", "said_once", "timing")


@dataclass(frozen=True, kw_only=True)
class Day:
    """What happened on one day, by the practice's calendar."""

    day: int
    date: date
    sms: int
    emails: int
    answers: int
    """To replies; counted in `sms` and `emails`, too."""
    replies: int
    concerns: int


@dataclass(frozen=True, kw_only=True)
class Moved:
    """A message that went out at another moment than its plan's."""

    who: str
    key: str
    planned_at: datetime
    sent_at: datetime
    rule: str
    why: str


@dataclass(frozen=True, kw_only=True)
class NotSent:
    """Messages of one patient that stayed here for the same reason."""

    who: str
    why: str
    keys: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class AtDesk:
    """What a patient was told at the desk, as no message could reach them in time."""

    who: str
    at: datetime
    keys: tuple[str, ...]
    why: str


@dataclass(frozen=True, kw_only=True)
class Heard:
    """A reply and what was made of it."""

    who: str
    at: datetime
    text: str
    label: str
    signs: tuple[str, ...]
    answered_with: str | None


@dataclass(frozen=True, kw_only=True)
class Call:
    """A concern, with what a person needs to call back."""

    id: int
    enrollment_id: int | None
    urgency: str
    state: str
    who: str
    call: str
    """The number to call, or the address to write to."""
    about: str
    words: str | None
    """What the patient wrote last about it."""
    opened_at: datetime
    due_at: datetime
    taken_by: str | None
    outcome: str | None


@dataclass(frozen=True, kw_only=True)
class Tally:
    """What the database says at the end."""

    now: datetime
    patients: int
    zones: tuple[str, ...]
    sent: int
    segments: int
    joined: int
    """Instructions that another message said as well."""
    to_come: int
    days: tuple[Day, ...]
    kinds: dict[str, int]
    """Messages sent by what they say."""
    states: dict[str, int]
    """Every message there is by its state."""
    moved: tuple[Moved, ...]
    not_sent: tuple[NotSent, ...]
    at_desk: tuple[AtDesk, ...]
    replies: tuple[Heard, ...]
    calls: tuple[Call, ...]
    """The concerns that are not closed, most urgent first."""
    closed: tuple[Call, ...]


def tally(app: App, *, first_day: date) -> Tally:
    """Return what the database of the demo holds; times are by the patient's clock, and the practice's for staff."""
    with app.database.reading() as session:
        return _Reader(session, app, first_day).tally()


class _Reader:
    """One look into the database."""

    def __init__(self, session: Session, app: App, first_day: date) -> None:
        self._session = session
        self._app = app
        self._zone = app.config.zone
        self._first_day = first_day
        self._patients = {new_id(each.id): each for each in session.execute(select(Patient)).scalars()}
        self._messages = list(
            session.execute(select(Message).order_by(col(Message.send_at), col(Message.id))).scalars()
        )
        self._replies = list(session.execute(select(Reply).order_by(col(Reply.id))).scalars())
        self._concerns = open_concerns(session, app.desk.practice_id, closed_too=True)

    def tally(self) -> Tally:
        states = Counter(each.state for each in self._messages)
        return Tally(
            now=self._app.clock.now().astimezone(self._zone),
            patients=len(self._patients),
            zones=tuple(sorted({each.zone for each in self._patients.values()})),
            sent=len(self._sent),
            segments=sum(each.segments for each in self._sent if each.channel == "sms"),
            joined=len(self._said_within),
            to_come=states[MessageState.SCHEDULED] + states[MessageState.JOINED] - len(self._said_within),
            days=self._days(),
            kinds=dict(Counter(each.key for each in self._sent).most_common()),
            states={str(state): states[state] for state in MessageState if states[state]},
            moved=tuple(self._moved(each) for each in self._sent if each.send_at != each.planned_at),
            not_sent=self._not_sent(),
            at_desk=self._at_desk(),
            replies=tuple(self._heard(each) for each in self._replies),
            calls=tuple(self._call(each) for each in self._concerns if each.state != "closed"),
            closed=tuple(self._call(each) for each in self._concerns if each.state == "closed"),
        )

    @cached_property
    def _sent(self) -> list[Message]:
        return [each for each in self._messages if each.state in _OUT]

    @cached_property
    def _said_within(self) -> list[Message]:
        hosts = {(each.enrollment_id, f"{each.key}:{each.occurrence}") for each in self._sent}
        return [
            each
            for each in self._messages
            if each.state == MessageState.JOINED and (each.enrollment_id, each.joined_into) in hosts
        ]

    def _days(self) -> tuple[Day, ...]:
        sent = [(local_day(each.handed_at, self._zone), each) for each in self._sent if each.handed_at]
        replied = Counter(local_day(each.received_at, self._zone) for each in self._replies)
        opened = Counter(local_day(each.opened_at, self._zone) for each in self._concerns)
        last = local_day(self._app.clock.now(), self._zone)
        days = []
        for number in range((last - self._first_day).days + 1):
            day = self._first_day + timedelta(days=number)
            today = [message for on, message in sent if on == day]
            channels = Counter(each.channel for each in today)
            days.append(
                Day(
                    day=number,
                    date=day,
                    sms=channels["sms"],
                    emails=channels["email"],
                    answers=sum(each.kind == "answer" for each in today),
                    replies=replied[day],
                    concerns=opened[day],
                )
            )
        return tuple(days)

    def _moved(self, message: Message) -> Moved:
        zone = self._zone_of(message.patient_id)
        rule, why = _why(message, _MOVES)
        return Moved(
            who=self._name(message.patient_id),
            key=message.key,
            planned_at=message.planned_at.astimezone(zone),
            sent_at=message.send_at.astimezone(zone),
            rule=rule,
            why=why,
        )

    def _not_sent(self) -> tuple[NotSent, ...]:
        found: dict[tuple[int | None, str], list[str]] = {}
        for each in self._messages:
            if each.state in {MessageState.WITHHELD, MessageState.CANCELLED, MessageState.FAILED}:
                why = each.detail or _why(each, _WITHHOLDS)[1]
                found.setdefault((each.patient_id, why), []).append(each.key)
        return tuple(
            NotSent(who=self._name(patient_id), why=why, keys=tuple(keys)) for (patient_id, why), keys in found.items()
        )

    def _at_desk(self) -> tuple[AtDesk, ...]:
        found: dict[int | None, list[Message]] = {}
        for each in self._messages:
            if each.state == MessageState.AT_CHECKOUT:
                found.setdefault(each.enrollment_id, []).append(each)
        return tuple(
            AtDesk(
                who=self._name(each[0].patient_id),
                at=self._enrolled_at(enrollment_id).astimezone(self._zone),
                keys=tuple(sorted(message.key for message in each)),
                why=_why(each[0], ("at_checkout",))[1],
            )
            for enrollment_id, each in found.items()
        )

    def _enrolled_at(self, enrollment_id: int | None) -> datetime:
        enrollment = self._session.get(Enrollment, enrollment_id)
        if enrollment is None:
            raise LookupError(f"there is no enrollment {enrollment_id}")
        return enrollment.enrolled_at

    def _heard(self, reply: Reply) -> Heard:
        answers = [each.key for each in self._messages if each.answers_reply_id == reply.id]
        return Heard(
            who=self._name(reply.patient_id),
            at=reply.received_at.astimezone(self._zone),
            text=reply.text,
            label=reply.label,
            signs=tuple(reply.signs),
            answered_with=answers[0] if answers else None,
        )

    def _call(self, concern: Concern) -> Call:
        history = history_of(self._session, new_id(concern.id))
        ids = [event.reply_id for event in history if event.reply_id is not None]
        said = replies_by_id(self._session, ids)
        return Call(
            id=new_id(concern.id),
            enrollment_id=concern.enrollment_id,
            urgency=concern.urgency,
            state=concern.state,
            who=self._name(concern.patient_id),
            call=self._number_of(concern.patient_id),
            about=concern.summary,
            words=said[ids[-1]].text if ids else None,
            opened_at=concern.opened_at.astimezone(self._zone),
            due_at=concern.due_at.astimezone(self._zone),
            taken_by=concern.taken_by,
            outcome=concern.outcome,
        )

    def _number_of(self, patient_id: int | None) -> str:
        contacts = contacts_of(self._session, patient_id) if patient_id is not None else []
        return next((each.address for each in sorted(contacts, key=lambda each: each.channel != "sms")), "")

    def _name(self, patient_id: int | None) -> str:
        patient = self._patients.get(patient_id or 0)
        return f"{patient.first_name} {patient.last_name}" if patient else "unknown"

    def _zone_of(self, patient_id: int | None) -> ZoneInfo:
        patient = self._patients.get(patient_id or 0)
        return ZoneInfo(patient.zone) if patient else self._zone


def _why(message: Message, rules: Sequence[str]) -> tuple[str, str]:
    """Return the rule, of those named, that decided about the message itself, and its words."""
    own: list[tuple[str, str]] = []
    for reason in message.reasons:
        if reason["rule"] in rules:
            own.append((reason["rule"], reason["text"]))
        if reason["rule"] == "joined":
            break  # what follows are the reasons of those that joined it
    decisive = [each for each in own if each[0] != "joined"] or own
    return decisive[-1] if decisive else ("", message.detail or "")
