"""Plays the demo: the program's own desk and dispatcher, moved by a clock that jumps to the next thing that happens."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from demo.checkout import Checkout
from demo.story import ReplyEvent, StaffEvent, Story, VisitEvent
from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.desk.concerns import CallBack, close_concern, take_concern
from reminders.desk.course_facts import from_json
from reminders.desk.enroll_list import ListRules, RowResult, enroll_list
from reminders.desk.replan import Change, replan
from reminders.desk.take_reply import Incoming, take_reply
from reminders.errors import StateError
from reminders.records import courses, people
from reminders.records.concerns import open_concerns
from reminders.records.people import new_id
from reminders.records.tables import Patient

Happening = Checkout | ReplyEvent | StaffEvent | VisitEvent


@dataclass(kw_only=True)
class Played:
    """What staff were shown, which the database doesn't keep."""

    rows: list[tuple[str, RowResult]] = field(default_factory=list)
    """The name that was typed, and what came of its row."""
    moved_visits: list[tuple[VisitEvent, tuple[Change, ...]]] = field(default_factory=list)


class Stage:
    """One practice under a clock that the demo moves."""

    def __init__(self, app: App, clock: VirtualClock) -> None:
        """Play on `app`, which reads `clock`."""
        self._app = app
        self._clock = clock
        self._replies = 0
        self._played = Played()

    def play(self, checkouts: Sequence[Checkout], story: Story, tell: Callable[[datetime, int], None]) -> Played:
        """Let everything happen at its moment; `tell` is given the present instant and how many were sent just now."""
        waiting: list[Happening] = sorted((*checkouts, *story.events), key=lambda each: each.at)
        dispatcher = self._app.dispatcher()
        try:
            while True:
                moments = [moment for moment in (dispatcher.next_at(), *(e.at for e in waiting[:1])) if moment]
                if not moments or min(moments) > story.until:
                    break
                self._clock.move_to(max(min(moments), self._clock.now()))
                due = [each for each in waiting if each.at <= self._clock.now()]
                del waiting[: len(due)]
                for each in due:
                    self._perform(each)
                report = dispatcher.run_once()
                if not due and not report.total:
                    raise StateError("a message is due that can't be dispatched; the demo can't go on")
                tell(self._clock.now(), report.sent)
            self._clock.move_to(max(story.until, self._clock.now()))
            tell(self._clock.now(), 0)
        finally:
            dispatcher.close()
        return self._played

    def _perform(self, happening: Happening) -> None:
        match happening:
            case Checkout():
                self._check_out(happening)
            case ReplyEvent():
                self._receive(happening)
            case StaffEvent():
                self._act(happening)
            case VisitEvent():
                self._move_visit(happening)

    def _check_out(self, checkout: Checkout) -> None:
        done = enroll_list(self._app.database, self._app.desk, (checkout.row,), checkout.given, ListRules())
        self._played.rows += [(checkout.name, result) for result in done.rows]

    def _receive(self, event: ReplyEvent) -> None:
        self._replies += 1
        with self._app.database.writing() as session:
            channel, address = _written_to(session, _patient_named(session, event.who))
            incoming = Incoming(channel=channel, sender=address, text=event.text, gateway_ref=f"demo-{self._replies}")
            take_reply(session, self._app.desk, incoming)

    def _act(self, event: StaffEvent) -> None:
        desk = self._app.desk
        with self._app.database.writing() as session:
            patient = _patient_named(session, event.who)
            concern = next(
                (each for each in open_concerns(session, desk.practice_id) if each.patient_id == patient.id), None
            )
            if concern is None or concern.id is None:
                raise StateError(f"{event.who} has no open concern at {event.at.isoformat()}; correct story.toml")
            if event.outcome is None:
                take_concern(session, desk, concern.id, by=event.by)
            else:
                close_concern(session, desk, concern.id, CallBack(outcome=event.outcome, note=event.note), by=event.by)

    def _move_visit(self, event: VisitEvent) -> None:
        with self._app.database.writing() as session:
            patient = _patient_named(session, event.who)
            (enrollment,) = courses.enrollments_of(session, new_id(patient.id), state="active")
            course = replace(from_json(enrollment.facts), visit=event.to)
            done = replan(session, self._app.desk, new_id(enrollment.id), course)
        self._played.moved_visits.append((event, done.changes))


def _written_to(session: Session, patient: Patient) -> tuple[str, str]:
    """Return the channel and the address that the patient's messages go to."""
    (enrollment,) = courses.enrollments_of(session, new_id(patient.id))
    channel = str(from_json(enrollment.facts).channel)
    addresses = [each.address for each in people.contacts_of(session, new_id(patient.id)) if each.channel == channel]
    return channel, addresses[0]


def _patient_named(session: Session, name: str) -> Patient:
    for patient in session.execute(select(Patient)).scalars():
        if f"{patient.first_name} {patient.last_name}".casefold() == name.casefold():
            return patient
    raise StateError(f"no patient is called {name}; correct story.toml")
