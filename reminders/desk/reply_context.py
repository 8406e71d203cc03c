"""Who wrote, what the reply answers, and what it says when it is read so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.timing import course_day
from reminders.desk.correspondence import Correspondence
from reminders.desk.course_facts import from_json
from reminders.desk.read_together import MOST, TOGETHER, ReadAs, may_be_raised, read_together
from reminders.records import people, replies
from reminders.records.replies import Told
from reminders.records.tables import Contact, Enrollment, Message, Patient
from reminders.replies import Label, Triage, triage

_QUESTION_PENDING = timedelta(hours=36)
"""A short reply within this time may answer a question asked before the last message."""


@dataclass(frozen=True, kw_only=True)
class Context:
    """Who wrote, and the message that the reply answers."""

    patient: Patient | None
    enrollment: Enrollment | None
    """The course of the message answered, else the patient's newest that runs."""
    message: Told | None = None
    """None when nothing was sent lately."""

    @property
    def after(self) -> str:
        """What the reply is read after."""
        if self.message is None:
            return "none"
        by_question = {"yes_no": "checkin_yesno", "pain": "checkin_pain", "visit": "visit"}
        return by_question.get(self.message.asks or "", self.message.key)


def read_reply(
    known: Correspondence, text: str, contacts: Sequence[Contact], now: datetime, *, answered: Message | None = None
) -> tuple[Triage, Context]:
    """Read the reply as an answer to the last message; if it makes no sense there, to the question still open.

    `answered` is the message that it names itself, as a mail does; it comes before the last.
    """
    if answered is not None and any(_is_usable(each, answered) for each in contacts):
        contacts = [each for each in contacts if each.patient_id == answered.patient_id]
    else:
        answered = None
    own = [each for each in contacts if each.state != "released"]
    told = known.told(own, own[0].channel) if own else []
    if answered is not None and answered.kind == "instruction":
        told = [Told.of(answered), *(each for each in told if each.id != answered.id)]
    patient = _who(known, own, told)
    mine = [message for message in told if patient is not None and message.patient_id == patient.id]
    context = _context(known, patient, mine[0] if mine else None)
    found = _triage(text, context, now)
    if found.label is Label.ROUTINE and set(found.signs) <= {"unclear"} and mine and not mine[0].asks:
        asked = next((each for each in mine if each.asks and each.send_at >= now - _QUESTION_PENDING), None)
        if asked is not None:
            context = _context(known, patient, asked)
            found = _triage(text, context, now)
    found = _with_earlier(known.session, text, found, context, now)
    return found, context


def read_unasked(session: Session, text: str, patient: Patient, enrollment: Enrollment, now: datetime) -> Triage:
    """Read what a known patient wrote of their own accord, and not as the answer to anything."""
    context = Context(patient=patient, enrollment=enrollment)
    return _with_earlier(session, text, _triage(text, context, now), context, now)


def _with_earlier(session: Session, text: str, found: Triage, context: Context, now: datetime) -> Triage:
    """Return what a reply says together with what the same patient wrote minutes before."""
    if context.patient is None or not may_be_raised(found):
        return found
    earlier = replies.last_said(session, people.new_id(context.patient.id), since=now - TOGETHER, most=MOST)
    return read_together(text, found, earlier, _read_as(context, now))


def _is_usable(contact: Contact, message: Message) -> bool:
    return (contact.patient_id, contact.address) == (message.patient_id, message.address) and (
        contact.state != "released"
    )


def _who(known: Correspondence, own: Sequence[Contact], told: Sequence[Told]) -> Patient | None:
    """Return who wrote: under a shared number, whoever was told something last, else the newest patient.

    Whoever writes from an address that was given back is nobody we know.
    """
    patient_id = told[0].patient_id if told else next((each.patient_id for each in own), None)
    return known.patient(patient_id) if patient_id is not None else None


def _context(known: Correspondence, patient: Patient | None, message: Told | None) -> Context:
    if patient is None:
        return Context(patient=None, enrollment=None)
    enrollment = known.course(people.new_id(patient.id), message.enrollment_id if message else None)
    return Context(patient=patient, enrollment=enrollment, message=message)


def _triage(text: str, context: Context, now: datetime) -> Triage:
    how = _read_as(context, now)
    return triage(text, after=how.after, language=how.language, day=how.day, factors=how.factors)


def _read_as(context: Context, now: datetime) -> ReadAs:
    course = from_json(context.enrollment.facts) if context.enrollment else None
    return ReadAs(
        after=context.after,
        language=context.patient.language if context.patient else "en",
        day=course_day(now, procedure_end=course.procedure_end, zone=course.zone) if course else None,
        factors=course.factors if course else frozenset(),
    )
