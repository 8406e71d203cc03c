"""Says by another channel what did not arrive by the first, if the patient agreed to it; once, and never too late."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from sqlalchemy.orm import Session

from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, expand
from reminders.care.values import Channel, Occurrence, Reason
from reminders.desk.composing import Desk
from reminders.desk.course_facts import from_json
from reminders.desk.message_rows import words_of
from reminders.desk.once_more import once_more
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.silent_gateway import attend_to_silence
from reminders.errors import ReminderError
from reminders.records import courses, other_ways, people, silence
from reminders.records.bulk import insert_messages
from reminders.records.concerns_once import open_once, trouble_of
from reminders.records.database import Database
from reminders.records.done_once import is_first_time
from reminders.records.people import new_id
from reminders.records.tables import Contact, Message
from reminders.sentences import english
from reminders.wording.render import CourseWording
from reminders.words import marked

OTHER_WAY = "_other_way"
"""Ends the key of a message that says another one by another channel."""

_USEFUL_FOR = timedelta(minutes=5)
"""A text that helps for a shorter time would hardly be read in time."""
_ELSEWHERE = english("message {id} did not arrive by {channel}")
_BY = marked("delivery")


def go_another_way(session: Session, desk: Desk, message_id: int, *, surely: bool) -> bool:
    """Plan a message that did not arrive for the patient's other channel; False when it can't go there.

    It can when it belongs to a running course, is still useful, is no stand-in itself and has none, and the patient
    agreed to an address of the other channel. `surely` says that it is known not to have arrived: else what says to
    take medicine stays away, as nobody is told twice to take a dose.
    """
    message = other_ways.message_afresh(session, message_id)
    if message is None or not _may_be_said_again(session, desk, message, surely=surely):
        return False
    contact = _other_contact(session, desk, message)
    said = _said(session, desk, message, Channel(contact.channel)) if contact is not None else None
    if contact is None or said is None:
        return False
    members, words = said
    reason = Reason("other_way", _ELSEWHERE.format(id=message_id, channel=message.channel))
    anew = once_more(message, key=f"{message.key}{OTHER_WAY}", now=desk.clock.now(), reason=reason)
    where = {"channel": contact.channel, "address": contact.address}
    insert_messages(session, [{**anew, **where, **words_of(words.render(members)), "instead_of_id": message_id}])
    return True


def attend_to_undelivered(
    database: Database, desk: Desk, *, transports: Sequence[str], after: timedelta
) -> tuple[int, int]:
    """Look at what gateways took and never told of again; return how many go another way, and concerns opened.

    A gateway that tells of nothing any more says nothing about a single message: that is one concern, and no message
    goes twice for it.
    `transports` are those that tell what arrived. Safe to run by several workers.
    """
    if not transports:
        return 0, 0
    now = desk.clock.now()
    with database.reading() as session:
        if not other_ways.has_undelivered(session, desk.practice_id, transports, before=now - after, now=now):
            return 0, 0
    gone = opened = 0
    with database.writing() as session:
        silence = attend_to_silence(session, desk, transports, before=now - after)
        opened += silence.told
        for message in other_ways.undelivered(session, desk.practice_id, transports, before=now - after, now=now):
            number = new_id(message.id)
            if not is_first_time(session, desk.practice_id, f"{other_ways.NOTICED}{number}", now) or silence.lasts:
                continue
            if go_another_way(session, desk, number, surely=False):
                gone += 1
            elif message.required:
                opened += _tell(session, desk, message)
    return gone, opened


def _tell(session: Session, desk: Desk, message: Message) -> bool:
    now = desk.clock.now()
    summary = english("{key} was taken by the gateway and is not known to have arrived.").format(key=message.key)
    due_at = desk.due.due_at("routine", now, desk.opening)
    trouble = trouble_of(message, "routine", summary, now=now, due_at=due_at)
    return open_once(session, trouble, by=_BY) is not None


def _may_be_said_again(session: Session, desk: Desk, message: Message, *, surely: bool) -> bool:
    if message.kind != "instruction" or message.instead_of_id is not None or message.practice_id != desk.practice_id:
        return False
    if message.in_doubt == "hold" and not surely:
        return False
    if message.useful_until - desk.clock.now() < _USEFUL_FOR:
        return False
    return not other_ways.has_stand_in(session, new_id(message.id))


def _other_contact(session: Session, desk: Desk, message: Message) -> Contact | None:
    """Return an address of the other channel that the patient agreed to; None when there is none."""
    other = Channel.EMAIL if message.channel == Channel.SMS else Channel.SMS
    if message.patient_id is None or (other is Channel.EMAIL and not desk.has_email):
        return None
    agreed: dict[tuple[str, str], bool] = {}
    for line in people.consent_history(session, message.patient_id):
        agreed[line.channel, line.address] = line.action == "given"
    found = [
        each
        for each in people.contacts_of(session, message.patient_id)
        if each.channel == other and each.state == "active" and agreed.get((each.channel, each.address))
    ]
    return max(found, key=lambda each: new_id(each.id), default=None)


def _said(
    session: Session, desk: Desk, message: Message, channel: Channel
) -> tuple[list[Occurrence], CourseWording] | None:
    """Return what the message says, for another channel, with the words of its course; None when it is not planned."""
    enrollment = courses.enrollment_of(session, new_id(message.enrollment_id))
    patient = people.patient_of(session, new_id(message.patient_id))
    if enrollment is None or patient is None or enrollment.state != "active" or enrollment.paused_at is not None:
        return None
    try:
        ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
        resolved = resolve(ready.plan, from_json(enrollment.facts))
    except ReminderError:
        return None  # staff are told of the message instead
    wanted = {(message.key, message.occurrence), *silence.joined_keys(session, message)}
    then = Circumstances(not_before=resolved.course.procedure_end, at_desk=False)
    found = [
        replace(each, channel=channel)
        for each in expand(resolved, desk.house.rules, then)
        if (each.key, each.occurrence) in wanted
    ]
    if {(each.key, each.occurrence) for each in found} != wanted:
        return None
    found.sort(key=lambda each: ((each.key, each.occurrence) != (message.key, message.occurrence), each.importance))
    return found, ready.wording.for_course(resolved, desk.house.sender, first_name=patient.first_name)
