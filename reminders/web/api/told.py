"""What calls are told, in the spelling of `desk.shapes`: the same that the commands print with `--json`."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from reminders.web.api.fields import Day, Shown, ShownMoment


class Reason(Shown):
    """A rule that made a message what it is."""

    rule: str
    text: str = Field(description="In words, for staff.")


class Member(Shown):
    """One instruction that a message says."""

    key: str
    occurrence: int = Field(description="Counted from 1 within a key.")
    planned_at: ShownMoment


class PlannedMessage(Shown):
    """A message as it was planned."""

    key: str = Field(description="The instruction.", examples=["dressing_off"])
    occurrence: int = Field(description="Counted from 1 within a key.")
    merged: list[str] = Field(description="Further instructions that it says.")
    channel: str
    planned_at: ShownMoment = Field(description="When the plan wants it.")
    send_at: ShownMoment = Field(description="When it goes, after quiet hours and joining.")
    useful_until: ShownMoment = Field(description="It is never sent later than this.")
    outcome: str = Field(description="scheduled, at_checkout (say it at the desk) or withheld.")
    required: bool
    reasons: list[Reason]
    subject: str | None = Field(description="Of an e-mail.")
    text: str
    encoding: str | None = Field(description="Of an SMS: gsm7 or ucs2.")
    segments: int = Field(description="Parts of an SMS, which are paid for one by one; 0 for an e-mail.")
    asks: str | None = Field(description="What it asks the patient, if it does.")
    members: list[Member]


class SayAtDesk(Shown):
    """What staff must say now, as no message can reach the patient in time."""

    key: str
    text: str


class Enrolled(Shown):
    """What came of an enrollment."""

    enrollment: int | None = Field(description="The course's number; null when it was only tried.")
    patient: int | None = Field(description="The patient's number; null when it was only tried.")
    stored: bool
    warnings: list[str] = Field(description="What staff should look at again.")
    say_at_desk: list[SayAtDesk]
    messages: list[PlannedMessage] = Field(description="In send order.")


class Message(Shown):
    """A message as it stands."""

    id: int
    enrollment: int | None
    patient: int | None
    kind: str = Field(description="instruction (of a course), answer (to a reply) or staff.")
    key: str
    occurrence: int
    joined_into: str | None = Field(description="The message of the course that says this, as `key:occurrence`.")
    channel: str
    address: str
    state: str = Field(
        description="scheduled, sending, sent, delivered, failed, uncertain, withheld, cancelled, joined, at_checkout."
    )
    planned_at: ShownMoment
    send_at: ShownMoment
    useful_until: ShownMoment
    settled_at: ShownMoment | None = Field(description="When it was known what became of it.")
    required: bool
    text: str
    encoding: str | None
    segments: int
    reasons: list[Reason]
    attempts: int = Field(description="How often it was handed over or tried to be.")
    transport: str | None
    transport_ref: str | None = Field(description="The gateway's own name for it.")
    detail: str | None = Field(description="Why it failed, is uncertain or was not sent.")


class Messages(Shown):
    """A page of messages, by `send_at`."""

    messages: list[Message]
    next: str | None = Field(description="The address of the next page; null on the last one.")


class CourseMessages(Shown):
    """The messages of a course."""

    messages: list[Message] = Field(description="In send order.")


class Change(Shown):
    """What becomes of one message."""

    key: str
    occurrence: int
    what: str = Field(description="added, moved, reworded, readdressed, joined, withheld, cancelled or at_checkout.")
    before_at: ShownMoment | None
    after_at: ShownMoment | None
    text: str


class Replanned(Shown):
    """What new facts change."""

    enrollment: int
    stored: bool = Field(description="False when it was only tried.")
    changes: list[Change]


class Cancelled(Shown):
    """What came of cancelling a course."""

    enrollment: int
    cancelled: int = Field(description="How many messages are not sent.")


class Reply(Shown):
    """What somebody wrote."""

    id: int
    received_at: ShownMoment
    channel: str
    sender: str = Field(alias="from")
    text: str
    label: str = Field(description="emergency, urgent, routine, none, stop, start, help or wrong_person.")
    signs: list[str]


class Taken(Shown):
    """What came of a reply."""

    reply: int
    new: bool = Field(description="False when the same was brought before, and nothing was done again.")
    label: str = Field(description="emergency, urgent, routine, none, stop, start, help or wrong_person.")
    signs: list[str] = Field(description="What was found in the words.")
    patient: int | None = Field(description="null when nobody is known under the address.")
    concern: int | None = Field(description="The concern that staff see because of it.")
    answered_with: str | None
    answer: str | None = Field(description="The words that the sender is answered.")


class Reach(Shown):
    """Where to call or write."""

    channel: str
    address: str
    state: str = Field(description="active, stopped, released (somebody else's), unreachable or unknown.")


class ConcernStep(Shown):
    """What happened to a concern."""

    at: ShownMoment
    action: str
    by: str
    note: str
    reply: int | None


class Concern(Shown):
    """What a person must deal with."""

    id: int
    kind: str = Field(description="reply, task, delivery, wrong_person, silence and others.")
    urgency: str = Field(description="emergency, urgent or routine.")
    state: str = Field(description="open, taken or closed.")
    summary: str
    signs: list[str]
    opened_at: ShownMoment
    due_at: ShownMoment
    overdue: bool
    taken_by: str | None
    closed_at: ShownMoment | None
    outcome: str | None
    patient: int | None
    name: str = Field(description="The patient's; empty when nobody is known.")
    enrollment: int | None
    reach: list[Reach]
    replies: list[Reply]
    history: list[ConcernStep]


class Concerns(Shown):
    """A page of concerns, by number: a page after the other none is lost, whatever becomes more urgent meanwhile."""

    concerns: list[Concern]
    next: str | None = Field(description="The address of the next page; null on the last one.")


class Patient(Shown):
    """Whose course it is."""

    id: int
    name: str


class Approval(Shown):
    """Who approved the plan's exact words."""

    approved_by: str
    license: str
    at: ShownMoment


class Plan(Shown):
    """The plan exactly as the course began with it."""

    procedure: str
    version: int
    hash: str
    approval: Approval | None = Field(description="null in demo mode only.")


class Facts(Shown):
    """The facts that the schedule follows from."""

    version: int = Field(description="Of this form.")
    procedure_end: ShownMoment
    zone: str
    language: str
    factors: list[str]
    settings: dict[str, Any]
    block_placed: ShownMoment | None
    dressing_applied: ShownMoment | None
    visit: ShownMoment | None
    slots: dict[str, str]
    channel: str
    night_contact_agreed: bool
    site: str | None
    overlaps: bool = Field(description="The patient has another course, so texts name the site.")


class Enrollment(Shown):
    """A course."""

    practice: str
    enrollment: int
    patient: Patient
    state: str = Field(description="active, ended or cancelled.")
    procedure_on: Day = Field(description="Day 0, the local date of the procedure.")
    enrolled_at: ShownMoment
    enrolled_by: str
    ended_at: ShownMoment | None
    facts: Facts
    plan: Plan


class Task(Shown):
    """What staff owe the patient."""

    key: str
    occurrence: int
    says: str
    due_at: ShownMoment
    state: str
    concern: int | None


class ConsentStep(Shown):
    """One line of a consent history."""

    at: ShownMoment
    action: str = Field(description="given, withdrawn or released.")
    channel: str
    address: str
    source: str
    by: str
    wording: str


class Record(Enrollment):
    """The chart record of a course."""

    messages: list[Message]
    replies: list[Reply]
    answers: list[Message]
    concerns: list[Concern]
    tasks: list[Task]
    consent: list[ConsentStep]


class Consents(Shown):
    """A patient's addresses and the history of their consent."""

    patient: int
    warnings: list[str] = Field(description="About the address just given.")
    addresses: list[Reach]
    history: list[ConsentStep] = Field(description="Oldest first.")


class FieldError(Shown):
    """One field of the call that is at fault; one of the first three names it, where it can be told."""

    pointer: str | None = Field(None, description="A member of the body: JSON pointer as a fragment (RFC 6901).")
    parameter: str | None = Field(None, description="A parameter of the address.")
    header: str | None = Field(None, description="A header.")
    detail: str = Field(description="What is wrong with it, for people.")


class Problem(Shown):
    """Problem details (RFC 9457)."""

    type: str
    title: str
    status: int
    code: str = Field(description="What happened, for programs; it may gain values.")
    detail: str = Field(description="What happened and what to do, for people.")
    errors: list[FieldError] | None = None
    enrollment: int | None = Field(None, description="With already_enrolled: the course that there is.")
