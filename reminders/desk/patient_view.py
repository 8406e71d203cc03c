"""What a patient's page shows: the step of now, every step before and after it, what is normal, when to call."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from sqlalchemy.orm import Session

from reminders.care.plan import Instruction, Picture
from reminders.care.resolving import Resolved, resolve
from reminders.care.timing import course_day
from reminders.care.values import Channel, Course, InDoubt, Occurrence, Outcome, Slot
from reminders.desk.composing import Desk
from reminders.desk.course_facts import from_json
from reminders.desk.overlaps import is_left_to_another
from reminders.desk.patient_page import PatientPage
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.sheet import WARNING_SIGNS
from reminders.records import courses, people
from reminders.records.message_states import SPENT, MessageState
from reminders.records.tables import Message
from reminders.wording.email_body import body_html
from reminders.wording.render import CourseWording


class Told(StrEnum):
    """How the patient heard, or will hear, of a step."""

    SENT = "sent"
    AT_DESK = "at_desk"
    NOT_SENT = "not_sent"  # stopped, lost or refused: it stands on the page only
    TO_COME = "to_come"


@dataclass(frozen=True, kw_only=True)
class PageStep:
    """One text of the course."""

    at: datetime
    """By the patient's wall clock."""
    day: int
    """Of the course; 0 is the day of the procedure."""
    told: Told
    text: str
    """In the words of a text message."""
    pictures: tuple[Picture, ...]
    is_dose: bool
    """It says to take a medicine: shown with its hour, never as what is to be done now, or it is taken twice."""


@dataclass(frozen=True, kw_only=True)
class PatientView:
    """A course as its patient sees it."""

    language: str
    """Of the texts; that of the words around them may be another."""
    first_name: str
    course: Course
    slots: tuple[Slot, ...]
    """The times of day that the plan goes by."""
    current: PageStep | None
    """What is to be done now: told already, and of use still."""
    current_html: str
    """The same in the words of an e-mail, which are easier to read."""
    before: PageStep | None
    """When nothing is, what was told last."""
    after: PageStep | None
    """When nothing is, what comes next."""
    so_far: tuple[PageStep, ...]
    """The latest first."""
    to_come: tuple[PageStep, ...]
    signs: str
    """HTML; when to call."""
    normal: tuple[str, ...]
    """HTML; what is normal."""
    is_paused: bool
    is_over: bool
    is_stopped: bool
    """No address of the patient may be written to."""
    phone_ends: str
    """The last digits of the number that staff would call; empty when there is none."""


def view_of(session: Session, desk: Desk, page: PatientPage) -> PatientView:
    """Return what the page of a course shows now."""
    enrollment = page.enrollment
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    patient = people.patient_of(session, page.patient_id)
    contacts = people.contacts_of(session, page.patient_id)
    course = from_json(enrollment.facts)
    resolved = resolve(ready.plan, course)
    first_name = patient.first_name if patient else ""
    words = ready.wording.for_course(resolved, desk.house.sender, first_name=first_name)
    now = desk.clock.now()
    messages = [each for each in courses.messages_of(session, page.enrollment_id) if _is_step(each)]
    shown = [each for each in messages if _told(each, messages, now) is not None]
    teller = _Teller(resolved=resolved, words=words, messages=messages, now=now)
    steps = [(each, teller.step(each)) for each in shown]
    so_far = [(each, step) for each, step in steps if step.told is not Told.TO_COME]
    to_come = [(each, step) for each, step in steps if step.told is Told.TO_COME]
    useful = ((each, step) for each, step in reversed(so_far) if teller.is_to_do(each) and now <= each.useful_until)
    said, current = next(useful, (None, None))
    # A dose is never shown as the step of now once its time is over: nobody shall take it twice.
    deeds = [step for each, step in so_far if teller.is_to_do(each) and each.in_doubt != InDoubt.HOLD]
    phones = [each.address for each in contacts if each.channel == Channel.SMS and each.state != "released"]
    return PatientView(
        language=course.language,
        first_name=first_name,
        course=course,
        slots=_slots(ready.plan.instructions),
        current=current,
        current_html=teller.whole(said) if said is not None else "",
        before=deeds[-1] if deeds and current is None else None,
        after=next((step for each, step in to_come if teller.is_to_do(each)), None) if current is None else None,
        so_far=tuple(step for _, step in reversed(so_far)),
        to_come=tuple(step for _, step in to_come),
        signs=teller.signs(),
        normal=tuple(dict.fromkeys(teller.normal())),
        is_paused=enrollment.paused_at is not None and enrollment.state == "active",
        is_over=enrollment.state != "active",
        is_stopped=bool(contacts) and not any(each.state == "active" for each in contacts),
        phone_ends=phones[-1][-2:] if phones else "",
    )


@dataclass(frozen=True, kw_only=True)
class _Teller:
    """Puts the messages of one course into words."""

    resolved: Resolved
    words: CourseWording
    messages: Sequence[Message]
    now: datetime

    def step(self, message: Message) -> PageStep:
        course, said = self.resolved.course, _occurrence(message)
        instruction = self._instruction(message.key)
        return PageStep(
            at=message.send_at.astimezone(course.zone),
            day=course_day(message.send_at, procedure_end=course.procedure_end, zone=course.zone),
            told=_told(message, self.messages, self.now) or Told.NOT_SENT,
            text=self.words.body(said),
            pictures=tuple(each for each in instruction.pictures if self.resolved.settings.get(each) != "none")
            if instruction
            else (),
            is_dose=message.in_doubt == InDoubt.HOLD,
        )

    def is_to_do(self, message: Message) -> bool:
        """Say whether a message tells to do something: no question, nothing that stands on the page anyway."""
        instruction = self._instruction(message.key)
        if instruction is None or instruction.tells_normal or message.asks:
            return False
        return message.key not in {WARNING_SIGNS, self.resolved.plan.file.desk_message}

    def whole(self, message: Message) -> str:
        """Return the words of an e-mail as HTML; they come from our own templates."""
        return body_html(self.words.markdown(_occurrence(message)))

    def signs(self) -> str:
        """Return when to call, as it is said first; empty when the plan has no such text."""
        found = next((each for each in self.messages if each.key == WARNING_SIGNS), None)
        return self.whole(found) if found else ""

    def normal(self) -> Iterator[str]:
        """Yield what is normal, also what has not been said yet."""
        for message in self.messages:
            instruction = self._instruction(message.key)
            if instruction is not None and instruction.tells_normal:
                yield self.whole(message)

    def _instruction(self, key: str) -> Instruction | None:
        return next((each for each in self.resolved.plan.instructions if each.key == key), None)


def _is_step(message: Message) -> bool:
    """Say whether a message is a part of the plan, and no repetition of one."""
    return message.kind == "instruction" and message.repeats_id is None and message.instead_of_id is None


def _told(message: Message, messages: Sequence[Message], now: datetime) -> Told | None:
    """Return how the patient heard of a step; None when the plan does without it."""
    state = MessageState(message.state)
    if state is MessageState.JOINED:
        host = next((each for each in messages if f"{each.key}:{each.occurrence}" == message.joined_into), None)
        return _told(host, messages, now) if host is not None and host.joined_into is None else None
    if state is MessageState.AT_CHECKOUT:
        return Told.AT_DESK
    if state is MessageState.FAILED:
        return Told.NOT_SENT
    if state in SPENT or state is MessageState.SENDING:
        return Told.SENT
    if state is MessageState.SCHEDULED or is_left_to_another(message):
        return Told.TO_COME if message.send_at > now else Told.SENT
    # Withheld at its moment it is a step all the same; withheld by the schedule it is none.
    return Told.NOT_SENT if state is MessageState.WITHHELD and message.settled_at is not None else None


def _occurrence(message: Message) -> Occurrence:
    """Return a stored message as the wording takes it."""
    return Occurrence(
        key=message.key,
        occurrence=message.occurrence,
        text_name=message.text_name,
        channel=Channel(message.channel),
        planned_at=message.planned_at,
        send_at=message.send_at,
        useful_until=message.useful_until,
        outcome=Outcome.AT_CHECKOUT if message.state == MessageState.AT_CHECKOUT else Outcome.SCHEDULED,
        required=message.required,
        importance=message.importance,
        in_doubt=InDoubt(message.in_doubt),
        asks=None,
        must_precede=False,
        reasons=(),
    )


def _slots(instructions: Sequence[Instruction]) -> tuple[Slot, ...]:
    """Return the times of day that instructions go by, in the order of the day."""
    used: set[Slot] = set()
    for instruction in instructions:
        for when in instruction.when:
            used.update(getattr(when, "each_day", ()))
            used.update({at} if (at := getattr(when, "at", None)) else ())
    return tuple(slot for slot in Slot if slot in used)
