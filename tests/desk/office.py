"""An invented practice in Chicago whose front desk, database, outbox folder and clock a test holds in its hands."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache, cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlmodel import SQLModel

from reminders.assembly import App
from reminders.care.timing import parse_local
from reminders.care.values import Course
from reminders.clock import VirtualClock
from reminders.config import Config
from reminders.delivery.dispatcher import Dispatcher
from reminders.desk.composing import Desk
from reminders.desk.course_facts import CourseInput, from_json
from reminders.desk.enroll import Enrolled, EnrollmentInput, enroll
from reminders.desk.plans import PlanLibrary
from reminders.desk.replan import Proposal, propose, replan
from reminders.desk.take_reply import Incoming, Taken, take_reply
from reminders.records import concerns, courses, people, replies
from reminders.records.database import Database
from reminders.records.tables import Contact, Message, Practice, Reply
from reminders.records.tables_concerns import Concern, ConcernEvent
from tests.build import LEAD, PLANS
from tests.servers import write_keys

CHICAGO = ZoneInfo("America/Chicago")
PHONE = "+13125550123"
"""Of the patient that a test enrolls when it names nobody else; 555-01xx is reserved for fiction."""

_COURSE_FACTS = frozenset(CourseInput.__dataclass_fields__)


@dataclass(frozen=True)
class Office:
    """One invented practice, with quiet hours from 21:00 to 08:00, open from Monday to Friday, 08:30 to 17:30."""

    app: App
    clock: VirtualClock

    @property
    def desk(self) -> Desk:
        """Where staff act."""
        return self.app.desk

    @property
    def database(self) -> Database:
        """Where everything is kept."""
        return self.app.database

    @cached_property
    def dispatcher(self) -> Dispatcher:
        """The real one, over the file transport."""
        return self.app.dispatcher()

    def given(self, **facts: Any) -> EnrollmentInput:
        """What the desk types for Robin Invented, whose procedure ended now, healthy; changed by `facts`."""
        course: dict[str, Any] = {
            "end": self.clock.now().astimezone(CHICAGO).strftime("%Y-%m-%dT%H:%M"),
            "zone": "America/Chicago",
            "factors": ("none",),
        }
        who: dict[str, Any] = {
            "procedure": LEAD,
            "first_name": "Robin",
            "last_name": "Invented",
            "phone": "312-555-0123",
            "consent": True,
            "recorded_by": "front desk",
        }
        for name, value in facts.items():
            (course if name in _COURSE_FACTS else who)[name] = value
        return EnrollmentInput(course=CourseInput(**course), **who)

    def enroll(self, **facts: Any) -> Enrolled:
        """Enroll a patient, see `given`."""
        with self.database.writing() as session:
            return enroll(session, self.desk, self.given(**facts))

    def course(self, enrollment_id: int) -> Course:
        """The facts of a course as they are kept."""
        with self.database.reading() as session:
            enrollment = courses.enrollment_of(session, enrollment_id)
            assert enrollment is not None
            return from_json(enrollment.facts)

    def propose(self, enrollment_id: int, **changes: Any) -> Proposal:
        """What the course would become with some facts changed."""
        course = replace(self.course(enrollment_id), **changes)
        with self.database.reading() as session:
            return propose(session, self.desk, enrollment_id, course)

    def replan(self, enrollment_id: int, *, shown: Proposal | None = None, **changes: Any) -> Proposal:
        """Store the course with some facts changed."""
        course = replace(self.course(enrollment_id), **changes)
        with self.database.writing() as session:
            return replan(session, self.desk, enrollment_id, course, shown=shown.changes if shown else None)

    def play(self, until: str) -> None:
        """Let time pass until a wall time in Chicago, and send every message at its moment."""
        end = at(until)
        self.dispatcher.run_once()
        while (next_at := self.dispatcher.next_at()) is not None and next_at <= end:
            self.clock.move_to(max(next_at, self.clock.now()))
            self.dispatcher.run_once()
        self.clock.move_to(end)

    def reply(self, text: str, *, sender: str = PHONE, **facts: Any) -> Taken:
        """Take in what somebody wrote, by SMS when not said."""
        with self.database.writing() as session:
            return take_reply(session, self.desk, Incoming(sender=sender, text=text, **{"channel": "sms", **facts}))

    def kept_reply(self, reply_id: int) -> Reply:
        """A reply as it was stored."""
        with self.database.reading() as session:
            return replies.replies_by_id(session, [reply_id])[reply_id]

    @property
    def handed_over(self) -> list[dict[str, Any]]:
        """Every message that left, in the order in which it did."""
        path = self.app.config.outbox_folder / "messages.jsonl"
        if not path.exists():
            return []
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]

    @property
    def texts(self) -> list[str]:
        """The words of every message that left."""
        return [each["text"] for each in self.handed_over]

    def answers(self) -> list[str]:
        """Dispatch what is due, and return the words of everything that left meanwhile."""
        before = len(self.texts)
        self.dispatcher.run_once()
        return self.texts[before:]

    def messages(self, enrollment_id: int | None = None) -> list[Message]:
        """The messages of a course in send order; of everybody when no course is named."""
        with self.database.reading() as session:
            if enrollment_id is not None:
                return courses.messages_of(session, enrollment_id)
            return list(session.execute(select(Message)).scalars())

    def message(self, enrollment_id: int, key: str, occurrence: int = 1) -> Message:
        """One message of a course."""
        (found,) = [m for m in self.messages(enrollment_id) if (m.key, m.occurrence) == (key, occurrence)]
        return found

    def moments(self, enrollment_id: int, key: str, *states: str) -> list[str]:
        """When the messages of an instruction that are in these states (`scheduled`) go out, by Chicago's clocks."""
        wanted = states or ("scheduled",)
        return [wall(m.send_at) for m in self.messages(enrollment_id) if m.key == key and m.state in wanted]

    def concerns(self) -> list[Concern]:
        """Every concern, most urgent first."""
        with self.database.reading() as session:
            return concerns.open_concerns(session, self.desk.practice_id, closed_too=True)

    def history(self, concern_id: int) -> list[ConcernEvent]:
        """What was done about a concern."""
        with self.database.reading() as session:
            return concerns.history_of(session, concern_id)

    def contacts(self, patient_id: int) -> Mapping[str, str]:
        """The addresses of a patient with their states."""
        with self.database.reading() as session:
            return {each.address: each.state for each in people.contacts_of(session, patient_id)}

    def contact_states(self, address: str = PHONE) -> list[str]:
        """The states of an address, for everybody who has it."""
        with self.database.reading() as session:
            found: Sequence[Contact] = people.contacts_at(session, self.desk.practice_id, "sms", address)
            return [each.state for each in found]

    def consents(self, patient_id: int) -> list[tuple[str, str, str]]:
        """The consent history of a patient: what, to which address, by whom."""
        with self.database.reading() as session:
            return [
                (each.action, each.address, each.recorded_by) for each in people.consent_history(session, patient_id)
            ]

    def dump(self) -> dict[str, list[tuple[Any, ...]]]:
        """Every row of every table."""
        with self.database.reading() as session:
            connection = session.connection()
            return {
                name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))]
                for name, table in SQLModel.metadata.tables.items()
            }


def open_office(folder: Path, database: Path | str, start: str, **settings: Any) -> Office:
    """Open the practice at a wall time in Chicago, with an empty database; `settings` are of its configuration.

    `database` is a SQLite file, or an address.
    """
    values: dict[str, Any] = {
        "demo": True,
        "database": database if isinstance(database, str) else f"sqlite:///{database}",
        "practice": {
            "name": "Example Foot Care",
            "zone": "America/Chicago",
            "phone": "312-555-0100",
            "after_hours_phone": "312-555-0199",
            "email": "office@example.org",
        },
        "folder": folder,
    }
    write_keys(folder)
    clock = VirtualClock(at(start))
    app = App(Config.model_validate(values | settings), clock)
    if "templates" not in settings:
        vars(app)["library"] = _library()
    office = Office(app, clock)
    with office.database.writing() as session:
        session.add(Practice(id=office.desk.practice_id, name="Example Foot Care", created_at=clock.now()))
    return office


@cache
def _library() -> PlanLibrary:
    """The plans of the repository, loaded once for all tests, as that takes longer than any of them."""
    return PlanLibrary(PLANS)


def at(text: str) -> datetime:
    """The instant of a wall time in Chicago."""
    return parse_local(text, CHICAGO)


def wall(instant: datetime) -> str:
    """An instant by Chicago's clocks: `2026-06-10 20:45`."""
    return f"{instant.astimezone(CHICAGO):%Y-%m-%d %H:%M}"


def minutes(number: int) -> timedelta:
    """A duration."""
    return timedelta(minutes=number)
