"""A course's messages with their words: the schedule decided by `care`, the texts by `wording`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from reminders.care.resolving import Resolved, resolve
from reminders.care.schedule import Circumstances, schedule
from reminders.care.values import ContactRules, Course, Joined, Occurrence
from reminders.clock import Clock
from reminders.desk.duty import Duty
from reminders.desk.opening_hours import DueTimes, OpeningHours
from reminders.desk.plans import PlanLibrary, ReadyPlan
from reminders.wording.render import CourseWording, Rendered, Sender


@dataclass(frozen=True, kw_only=True)
class House:
    """What the practice puts into every course: who writes, when it may, and how long a text may be."""

    sender: Sender
    rules: ContactRules
    segment_limit: int


@dataclass(frozen=True, kw_only=True)
class AnswerRules:
    """How often one address is answered automatically."""

    most_a_day: int = 8
    again_after: timedelta = timedelta(hours=1)
    """The same answer is not given again sooner."""
    emergency_again_after: timedelta = timedelta(minutes=10)


@dataclass(frozen=True, kw_only=True)
class SilenceRules:
    """What happens when nobody answers a check-in."""

    ask_again_after: timedelta = timedelta(hours=3)
    silent_after: timedelta = timedelta(hours=12)
    concern_factors: frozenset[str] = frozenset()
    """Patients with one of these who stay silent are a concern; of others it is only noted."""


@dataclass(frozen=True, kw_only=True)
class Desk:
    """Where staff of one practice act: its plans, its rules, its clock."""

    practice_id: str
    zone: ZoneInfo
    region: str
    language: str
    library: PlanLibrary
    house: House
    opening: OpeningHours
    due: DueTimes
    duty: Duty
    clock: Clock
    demo: bool
    """Unapproved plans and draft translations may be used, as no real patient is written to."""
    answers: AnswerRules = AnswerRules()
    silence: SilenceRules = SilenceRules()
    visit_length: timedelta = timedelta(minutes=30)
    has_email: bool = True
    """Whether the practice has an address to send e-mails from."""


class Composed(NamedTuple):
    """One message of the schedule with its words."""

    joined: Joined
    rendered: Rendered


@dataclass(frozen=True, kw_only=True)
class ComposedCourse:
    """Every message of a course, those withheld or said at the desk among them, in send order."""

    resolved: Resolved
    messages: tuple[Composed, ...]
    words: CourseWording


def compose(ready: ReadyPlan, course: Course, now: Circumstances, house: House, *, first_name: str) -> ComposedCourse:
    """Return the course's messages with their words; raises InputError when the plan does not allow its facts."""
    resolved = resolve(ready.plan, course)
    words = ready.wording.for_course(resolved, house.sender, first_name=first_name)

    def fits(members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        return words.fits(members, most_segments=house.segment_limit, said_now=said_now)

    messages = tuple(
        Composed(joined=joined, rendered=words.render(joined.members, said_now=joined.said_now))
        for joined in schedule(resolved, house.rules, now, fits=fits)
    )
    return ComposedCourse(resolved=resolved, messages=messages, words=words)
