"""Asks an unanswered check-in again once, then notes the silence; of patients at risk it becomes a concern."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from sqlalchemy.orm import Session

from reminders.care.circumstances import Circumstances
from reminders.care.resolving import Resolved, resolve
from reminders.care.schedule import expand
from reminders.care.timing import instant_of, local_day
from reminders.care.values import Occurrence, Reason
from reminders.desk.composing import Desk
from reminders.desk.course_facts import from_json
from reminders.desk.message_rows import words_of
from reminders.desk.once_more import once_more
from reminders.desk.pinned_plans import pinned_plan
from reminders.records import concerns, courses, people, silence
from reminders.records.bulk import insert_messages
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.records.people import new_id
from reminders.records.tables import Enrollment, Message
from reminders.sentences import english
from reminders.wording.render import CourseWording
from reminders.words import marked

AGAIN = "_again"
"""Ends the key of a message that asks again."""

_LOOKS_BACK = timedelta(days=4)
"""A question older than that was noted long ago, or the program stood still: then it is too late to ask."""
_SOONEST_AGAIN = timedelta(hours=1)
_UNANSWERED = english("nobody answered message {id}")
_BY = marked("silence")


@dataclass(frozen=True, kw_only=True)
class SilenceReport:
    """What came of a look at the questions."""

    asked_again: int = 0
    silent: int = 0
    """Noted now; concerns among them."""
    concerns: int = 0


@dataclass(frozen=True, kw_only=True)
class _Question:
    """A message that nobody answered, with its course."""

    message: Message
    enrollment: Enrollment
    resolved: Resolved
    words: CourseWording


def attend_to_silence(database: Database, desk: Desk) -> SilenceReport:
    """Look at every question that nobody answered; safe to run as often as one likes and by several workers."""
    now = desk.clock.now()
    between = {"since": now - _LOOKS_BACK, "until": now - min(desk.silence.ask_again_after, _SOONEST_AGAIN)}
    with database.reading() as session:
        if not silence.has_unanswered(session, desk.practice_id, **between):
            return SilenceReport()
    asked = silent = opened = 0
    with database.writing() as session:
        for message in silence.unanswered_questions(session, desk.practice_id, **between):
            question = _question(session, desk, message)
            if now - (message.settled_at or now) < desk.silence.silent_after:
                asked += _ask_again(session, desk, question)
            elif silence.note_unanswered(session, new_id(message.id), now):
                silent += 1
                opened += _concern(session, desk, question)
    return SilenceReport(asked_again=asked, silent=silent, concerns=opened)


def attend_to_failures(database: Database, desk: Desk) -> int:
    """Open a concern for each running course of which nothing arrives any more; returns how many."""
    with database.reading() as session:
        found = silence.nothing_arrives(session, desk.practice_id)
    if not found:
        return 0
    now, opened = desk.clock.now(), 0
    with database.writing() as session:
        for each in found:
            about = f"enrollment {each.enrollment_id}: nothing arrives"
            last = concerns.last_about(session, desk.practice_id, "delivery", about)
            # Who closed the concern knows of these failures; only another one opens it anew.
            if last is not None and last >= each.last_failed_at:
                continue
            trouble = Trouble(
                practice_id=desk.practice_id,
                patient_id=each.patient_id,
                enrollment_id=each.enrollment_id,
                kind="delivery",
                about=about,
                urgency="routine",
                summary=english("Nothing arrives: {count} messages failed one after the other. Telephone.").format(
                    count=each.failed
                ),
                opened_at=now,
                due_at=desk.due.due_at("routine", now, desk.opening),
            )
            opened += open_once(session, trouble, by=_BY) is not None
    return opened


def _question(session: Session, desk: Desk, message: Message) -> _Question:
    enrollment = courses.enrollment_of(session, new_id(message.enrollment_id))
    patient = people.patient_of(session, new_id(message.patient_id))
    if enrollment is None or patient is None:
        raise RuntimeError(f"message {message.id} has no course or no patient")
    ready = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash)
    resolved = resolve(ready.plan, from_json(enrollment.facts))
    words = ready.wording.for_course(resolved, desk.house.sender, first_name=patient.first_name)
    return _Question(message=message, enrollment=enrollment, resolved=resolved, words=words)


def _ask_again(session: Session, desk: Desk, question: _Question) -> bool:
    """Plan the question once more, alone and in its approved words; False when it was, or has no useful moment."""
    message = question.message
    if silence.repeat_of(session, new_id(message.id)) is not None:
        return False
    asking = _asking(session, desk, question)
    if asking is None or not _may_ask_now(session, desk, question, asking.useful_until):
        return False
    reason = Reason("asked_again", _UNANSWERED.format(id=message.id))
    insert_messages(
        session,
        [
            {
                **once_more(message, key=f"{asking.key}{AGAIN}", now=desk.clock.now(), reason=reason),
                "occurrence": asking.occurrence,
                "text_name": asking.text_name,
                "useful_until": asking.useful_until,
                "required": False,
                "importance": asking.importance,
                "in_doubt": asking.in_doubt.value,
                "asks": asking.asks and asking.asks.value,
                **words_of(question.words.render((asking,))),
                "repeats_id": message.id,
            }
        ],
    )
    return True


def _may_ask_now(session: Session, desk: Desk, question: _Question, useful_until: datetime) -> bool:
    """Say whether the question may be asked again: it is time, not quiet, still useful, within the daily limit."""
    course, rules, now = question.resolved.course, desk.house.rules, desk.clock.now()
    if now < _again_at(desk, question) or now >= useful_until:
        return False
    if not course.night_contact_agreed and rules.quiet.is_quiet(now, course.zone):
        return False
    day = local_day(now, course.zone)
    start, end = (instant_of(each, time(0), course.zone) for each in (day, day + timedelta(days=1)))
    return silence.count_between(session, new_id(question.enrollment.patient_id), start, end) < rules.daily_limit


def _again_at(desk: Desk, question: _Question) -> datetime:
    """Return when the question is asked again; before quiet hours begin, if an hour has passed by then."""
    course, rules = question.resolved.course, desk.house.rules
    asked_at = question.message.settled_at or desk.clock.now()
    again_at = asked_at + desk.silence.ask_again_after
    began = rules.quiet.start_before(again_at, course.zone)
    if began is None or course.night_contact_agreed:
        return again_at
    local = again_at.astimezone(course.zone)
    day = local.date() if local.time() >= began else local.date() - timedelta(days=1)
    before = instant_of(day, began, course.zone) - rules.before_quiet
    return before if before >= asked_at + _SOONEST_AGAIN else again_at


def _asking(session: Session, desk: Desk, question: _Question) -> Occurrence | None:
    """Return the part of the message that asks: what was joined to it is not said again."""
    message = question.message
    now = Circumstances(not_before=question.resolved.course.procedure_end, at_desk=False)
    said = ((message.key, message.occurrence), *silence.joined_keys(session, message))
    every = [each for each in expand(question.resolved, desk.house.rules, now) if each.asks]
    exact = next((each for each in every if (each.key, each.occurrence) in said), None)
    return exact or next((each for each in every if each.key in {key for key, _ in said}), None)


def _concern(session: Session, desk: Desk, question: _Question) -> bool:
    """Open a concern when the patient has a factor that makes silence one; False for others, or when one is open."""
    message, now = question.message, desk.clock.now()
    because = sorted((question.resolved.marks | question.resolved.course.factors) & desk.silence.concern_factors)
    if not because:
        return False
    asked_at = (message.settled_at or now).astimezone(question.resolved.course.zone)
    once = english("No answer to the check-in of {clock}, asked once; {factors}. Telephone.")
    twice = english("No answer to the check-in of {clock}, asked twice; {factors}. Telephone.")
    summary = once if silence.repeat_of(session, new_id(message.id)) is None else twice
    named = ", ".join(because).replace("_", " ")
    trouble = Trouble(
        practice_id=desk.practice_id,
        patient_id=message.patient_id,
        enrollment_id=message.enrollment_id,
        kind="silence",
        about=f"enrollment {message.enrollment_id}: silent",
        urgency="routine",
        summary=summary.format(clock=f"{asked_at:%a %H:%M}", factors=named),
        opened_at=now,
        due_at=_due(desk, asked_at, now),
    )
    return open_once(session, trouble, by=_BY) is not None


def _due(desk: Desk, asked_at: datetime, now: datetime) -> datetime:
    """Return until when a silent patient is telephoned: as if they had written when they were asked."""
    due_at = desk.due.due_at("routine", asked_at, desk.opening)
    return due_at if due_at > now else desk.due.due_at("routine", now, desk.opening)
