"""The daily overview: who is where in their course, who is silent, what is open; by e-mail numbers and no names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from reminders.care.timing import course_day, instant_of, local_day
from reminders.desk.composing import Desk
from reminders.desk.staff_notice import DIGEST, Notice, notify
from reminders.records import concerns, overview
from reminders.records.concerns import URGENCIES
from reminders.records.database import Database
from reminders.records.done_once import is_first_time
from reminders.records.overview import RunningCourse
from reminders.records.people import new_id
from reminders.records.staff_tasks import coming_tasks
from reminders.words import gettext, listed, marked, ngettext

_LATELY = timedelta(days=1)
_AHEAD = timedelta(days=7)
_MOST_LISTED = 30


@dataclass(frozen=True, kw_only=True)
class DigestCourse:
    """One course of the overview."""

    enrollment_id: int
    patient_id: int
    patient: str
    procedure: str
    day: int
    """Of the course; day 0 is that of the procedure."""
    last_on: datetime
    """When its last message is planned."""
    waiting: int
    failed: int
    is_paused: bool
    silent_since: datetime | None
    """None unless a question has had no answer, and nothing was written since."""
    concerns: tuple[int, ...]
    zone: ZoneInfo


@dataclass(frozen=True, kw_only=True)
class DigestConcern:
    """One concern that is not closed."""

    id: int
    urgency: str
    kind: str
    enrollment_id: int | None
    due_at: datetime
    is_overdue: bool
    taken_by: str | None


@dataclass(frozen=True, kw_only=True)
class DigestTask:
    """One task of a course that becomes a concern within the next days."""

    enrollment_id: int
    says: str
    due_at: datetime


@dataclass(frozen=True, kw_only=True)
class Digest:
    """The overview at one moment."""

    at: datetime
    courses: tuple[DigestCourse, ...]
    concerns: tuple[DigestConcern, ...]
    """Most urgent first."""
    tasks: tuple[DigestTask, ...]
    """What comes up for staff within a week, the earliest first; what has come up is among the concerns."""

    @property
    def silent(self) -> tuple[DigestCourse, ...]:
        """The courses whose patient is silent."""
        return tuple(each for each in self.courses if each.silent_since is not None)


@dataclass(frozen=True, kw_only=True)
class DigestTimes:
    """When the digest is sent."""

    send: bool
    at_wall: time
    on_closed_days: bool


def make_digest(session: Session, desk: Desk) -> Digest:
    """Return the overview of the practice as it is now."""
    now = desk.clock.now()
    courses = overview.running_courses(session, desk.practice_id, since=now - _LATELY)
    first = min((each.procedure_end for each in courses), default=now)
    wrote = overview.last_replies(session, desk.practice_id, since=first)
    waiting = overview.open_by_patient(session, desk.practice_id)
    return Digest(
        at=now,
        courses=tuple(
            course_of(each, now, wrote_at=wrote.get(each.patient_id), open_ones=waiting.get(each.patient_id, ()))
            for each in courses
        ),
        concerns=tuple(
            DigestConcern(
                id=new_id(each.id),
                urgency=each.urgency,
                kind=each.kind,
                enrollment_id=each.enrollment_id,
                due_at=each.due_at,
                is_overdue=each.due_at < now,
                taken_by=each.taken_by,
            )
            for each in concerns.open_concerns(session, desk.practice_id)
        ),
        tasks=tuple(
            DigestTask(enrollment_id=each.enrollment_id, says=each.says, due_at=each.due_at)
            for each in coming_tasks(session, desk.practice_id, now + _AHEAD)
        ),
    )


def send_digest(database: Database, desk: Desk, times: DigestTimes) -> bool:
    """Put today's digest into the outbox if its time has come; False when it has not, was, or nobody takes it.

    It goes to the first on duty who has an e-mail address. Safe to run as often as one likes.
    """
    now = desk.clock.now()
    if not _is_time(desk, times, now):
        return False
    reader = next((person for person in desk.duty.on_duty(now) if person.email), None)
    if reader is None:
        return False
    with database.writing() as session:
        if not is_first_time(session, desk.practice_id, f"digest {local_day(now, desk.zone)}", now):
            return False
        digest = make_digest(session, desk)
        notice = Notice(
            key=DIGEST,
            subject=gettext(
                "Aftercare today: {open} open, {silent} silent", open=len(digest.concerns), silent=len(digest.silent)
            ),
            short="",
            paragraphs=digest_lines(digest, desk),
            useful_until=now + timedelta(hours=12),
            reason=gettext("the digest of the day"),
        )
        return bool(notify(session, desk, reader, notice))


def digest_lines(digest: Digest, desk: Desk) -> tuple[str, ...]:
    """Return the digest in sentences that name nobody: counts, and the numbers under which the program shows who."""
    by_urgency = [f"{_count(digest, name)} {gettext(name)}" for name in URGENCIES if _count(digest, name)]
    overdue = [each.id for each in digest.concerns if each.is_overdue]
    paused = [each.enrollment_id for each in digest.courses if each.is_paused]
    failing = [each.enrollment_id for each in digest.courses if each.failed]
    where = f"{desk.duty.link}/concerns" if desk.duty.link else "reminders concerns; reminders digest"
    lines = [
        ngettext(
            "{practice}: {number} course runs.",
            "{practice}: {number} courses run.",
            len(digest.courses),
            practice=desk.house.sender.practice_name,
        ),
        gettext("Open concerns: {listed}.", listed=listed(by_urgency) or gettext("none")),
        _listed(marked("Overdue concerns: {listed}."), overdue),
        _listed(
            marked("Tasks for staff, concerns: {listed}."), [each.id for each in digest.concerns if each.kind == "task"]
        ),
        _listed(marked("Tasks within 7 days, enrollments: {listed}."), [each.enrollment_id for each in digest.tasks]),
        _listed(marked("Silent, enrollments: {listed}."), [each.enrollment_id for each in digest.silent]),
        _listed(marked("Paused, enrollments: {listed}."), paused),
        _listed(marked("Messages failed, enrollments: {listed}."), failing),
        gettext("Who they are: {where}", where=where),
    ]
    return tuple(line for line in lines if line)


def _is_time(desk: Desk, times: DigestTimes, now: datetime) -> bool:
    day = local_day(now, desk.zone)
    opens = desk.opening.closing_today(instant_of(day, time(0), desk.zone)) is not None
    return times.send and (opens or times.on_closed_days) and now >= instant_of(day, times.at_wall, desk.zone)


def is_silent(unanswered_at: datetime | None, wrote_at: datetime | None) -> bool:
    """Say whether a question has had no answer, and nothing was written since."""
    return unanswered_at is not None and (wrote_at is None or wrote_at < unanswered_at)


def course_of(
    each: RunningCourse, now: datetime, *, wrote_at: datetime | None, open_ones: tuple[int, ...]
) -> DigestCourse:
    """Return a course as the overview shows it, by when its patient wrote last and their open concerns."""
    zone = ZoneInfo(each.zone)
    return DigestCourse(
        enrollment_id=each.enrollment_id,
        patient_id=each.patient_id,
        patient=f"{each.first_name} {each.last_name}".strip(),
        procedure=each.procedure,
        day=course_day(now, procedure_end=each.procedure_end, zone=zone),
        last_on=each.last_at,
        waiting=each.waiting,
        failed=each.failed,
        is_paused=each.paused_at is not None,
        silent_since=each.unanswered_at if is_silent(each.unanswered_at, wrote_at) else None,
        concerns=open_ones,
        zone=zone,
    )


def _count(digest: Digest, urgency: str) -> int:
    return sum(each.urgency == urgency for each in digest.concerns)


def _listed(what: str, ids: Sequence[int]) -> str:
    if not ids:
        return ""
    named = listed(map(str, ids[:_MOST_LISTED]))
    if len(ids) > _MOST_LISTED:
        named = gettext("{listed} and {number} more", listed=named, number=len(ids) - _MOST_LISTED)
    return gettext(what, listed=named)
