"""The facts of a course with some of them changed, read as strictly as when it was enrolled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.care.resolving import factor_named
from reminders.care.values import Course
from reminders.desk.composing import Desk
from reminders.desk.course_facts import CourseInput, from_json, read_course
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.replan import active_enrollment
from reminders.errors import InputError
from reminders.words import gettext

NOT_ANY_MORE = "none"
"""Takes back a fact that need not be there: `--visit none`."""

_OPTIONAL = ("visit", "block_placed", "dressing_applied", "site")
_TYPED = ("end", "zone", "language", "channel", *_OPTIONAL)
_UNKNOWN = "history_unknown"
"""The factor of a course whose patient was never asked; it goes once the answer is recorded."""


@dataclass(frozen=True, kw_only=True)
class Changes:
    """The facts that change, as typed; None and empty leave what is there."""

    end: str | None = None
    zone: str | None = None
    language: str | None = None
    visit: str | None = None
    block_placed: str | None = None
    dressing_applied: str | None = None
    channel: str | None = None
    site: str | None = None
    night_contact: bool | None = None
    factors: tuple[str, ...] = ()
    """Added; `none` takes all away."""
    factors_gone: tuple[str, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    slots: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_empty(self) -> bool:
        """Whether nothing was said."""
        return self == Changes()


def changed_course(session: Session, desk: Desk, enrollment_id: int, changes: Changes) -> Course:
    """Return an enrollment's course with the changes; raises NotFound, StateError, or InputError with every problem."""
    if changes.is_empty:
        raise InputError(gettext("say what changed, like --visit 2026-03-21T10:00; --help lists what may change"))
    enrollment = active_enrollment(session, enrollment_id)
    plan = pinned_plan(session, desk, enrollment.procedure, enrollment.content_hash).plan
    present = from_json(enrollment.facts)
    given = _typed(present)
    said = {name: text for name in _TYPED if (text := getattr(changes, name)) is not None}
    own: dict[str, Any] = {
        name: None if name in _OPTIONAL and text.strip().lower() == NOT_ANY_MORE else text
        for name, text in said.items()
    }
    given = replace(
        given,
        settings={**given.settings, **changes.settings},
        slots={**given.slots, **changes.slots},
        **own,
    )
    if changes.night_contact is not None:
        given = replace(given, night_contact_agreed=changes.night_contact)
    gone = {factor_named(text, plan) for text in changes.factors_gone}
    course = read_course(replace(given, factors=_factors(present, changes.factors)), plan, region=desk.region)
    return replace(course, factors=course.factors - gone, overlaps=present.overlaps)


def _factors(present: Course, added: tuple[str, ...]) -> tuple[str, ...]:
    if not added:
        return tuple(present.factors)
    asked = [text for text in added if text.strip().lower() != NOT_ANY_MORE]
    if len(asked) < len(added):
        return tuple(asked)
    return (*(present.factors - {_UNKNOWN}), *asked)


def _typed(course: Course) -> CourseInput:
    """Return a course as if it had been typed; instants in UTC, so that no other zone moves them."""

    def typed(instant: datetime | None) -> str | None:
        return instant.isoformat() if instant else None

    return CourseInput(
        end=course.procedure_end.isoformat(),
        zone=course.zone.key,
        language=course.language,
        settings={name: str(value) for name, value in course.settings.items()},
        block_placed=typed(course.block_placed),
        dressing_applied=typed(course.dressing_applied),
        visit=typed(course.visit),
        slots={str(slot): f"{wall:%H:%M}" for slot, wall in course.slots.items()},
        channel=str(course.channel),
        night_contact_agreed=course.night_contact_agreed,
        site=course.site,
    )
