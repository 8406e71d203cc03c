"""What quiet hours do to one planned moment: let it stand, move it, have it said at the desk, or withhold it."""

from __future__ import annotations

from datetime import datetime, time
from functools import lru_cache
from typing import NamedTuple, Protocol

from reminders.care.circumstances import Circumstances
from reminders.care.moments import clock_text
from reminders.care.values import ContactRules, Course, Outcome, QuietMove, Reason
from reminders.sentences import english

_MOVED = english("quiet from {start}, so {clock}")
_UNTIL_THEY_END = (_MOVED, english("quiet from {start}, and when they end it is no longer useful"))
_NO_AGREEMENT = (
    english("quiet from {start} and no agreement to be contacted at night, so {clock}"),
    english("quiet from {start} and no agreement to be contacted at night, and when they end it is no longer useful"),
)
_NO_EARLIER = (
    english("quiet from {start} and no earlier moment is left, so {clock}"),
    english("quiet from {start} and no earlier moment is left, and when they end it is no longer useful"),
)


class Wish(Protocol):
    """What an instruction says about its moments."""

    @property
    def quiet(self) -> QuietMove:
        """What quiet hours may do to one."""

    @property
    def required(self) -> bool:
        """Whether each has to reach the patient."""


class Bounds(NamedTuple):
    """Between what a moment has to find its place."""

    course: Course
    rules: ContactRules
    now: Circumstances


class Place(NamedTuple):
    """Where a moment ended up, and why if it moved."""

    send_at: datetime
    outcome: Outcome
    reasons: tuple[Reason, ...] = ()


def place(planned_at: datetime, useful_until: datetime, wish: Wish, bounds: Bounds) -> Place:
    """Find the instant at which a message may go out.

    What fits nowhere is said at the desk when it is required and the patient still stands there, else withheld.
    """
    course, now = bounds.course, bounds.now
    moment = planned_at
    reasons: tuple[Reason, ...] = ()
    if moment < now.not_before:
        moment = now.not_before
        at_once = english("that was over, so at once, {clock}").format(clock=clock_text(moment, course))
        reasons = (Reason(rule="not_before", text=at_once),)
    if moment > useful_until:
        over = english("it was useful until {clock} only").format(clock=clock_text(useful_until, course))
        return _nowhere(planned_at, over, wish, now)
    start = bounds.rules.quiet.start_before(moment, course.zone)
    if start is None:
        return Place(send_at=moment, outcome=Outcome.SCHEDULED, reasons=reasons)
    moved, why = _around_quiet(moment, useful_until, wish.quiet, bounds)
    text = _quiet_text(why, start, clock_text(moved, course) if moved else "")
    if moved is None:
        return _nowhere(planned_at, text, wish, now)
    return Place(send_at=moved, outcome=Outcome.SCHEDULED, reasons=(*reasons, Reason(rule="quiet_hours", text=text)))


@lru_cache(maxsize=4096)  # quiet hours begin and end at the same times for everybody
def _quiet_text(sentence: str, start: time, clock: str) -> str:
    return sentence.format(start=f"{start.hour:02}:{start.minute:02}", clock=clock)


def _nowhere(planned_at: datetime, text: str, wish: Wish, now: Circumstances) -> Place:
    if wish.required and now.at_desk:
        said = english("{why}: said at the desk and printed on the sheet").format(why=text)
        reason = Reason(rule="at_checkout", text=said)
        return Place(send_at=now.not_before, outcome=Outcome.AT_CHECKOUT, reasons=(reason,))
    return Place(send_at=planned_at, outcome=Outcome.WITHHELD, reasons=(Reason(rule="withheld", text=text),))


def _around_quiet(
    moment: datetime, useful_until: datetime, move: QuietMove, bounds: Bounds
) -> tuple[datetime | None, str]:
    """Return the instant outside quiet hours, None when there is none, and the reason, open for the two moments."""
    match move:
        case QuietMove.WITHHOLD:
            return None, english("quiet from {start}, and this one is dropped then")
        case QuietMove.EARLIER:
            return _earlier(moment, useful_until, bounds)
        case QuietMove.LATER:
            return _later(moment, useful_until, bounds, _UNTIL_THEY_END)
        case QuietMove.SEND:
            if bounds.course.night_contact_agreed:
                return moment, english("quiet from {start}, but the patient agreed to be contacted at night")
            return _later(moment, useful_until, bounds, _NO_AGREEMENT)


def _earlier(moment: datetime, useful_until: datetime, bounds: Bounds) -> tuple[datetime | None, str]:
    course, rules, not_before = bounds.course, bounds.rules, bounds.now.not_before
    earlier = rules.quiet.last_moment_before(moment, course.zone, rules.before_quiet)
    if earlier is not None and earlier >= not_before:
        return earlier, _MOVED
    if bounds.now.at_desk:
        return None, english("quiet from {start}, and no earlier moment is left")
    # Nobody can say it at the desk any more, so a moment that is less good is better than none.
    if not rules.quiet.is_quiet(not_before, course.zone):
        return not_before, english("quiet from {start}, so at once, {clock}")
    return _later(moment, useful_until, bounds, _NO_EARLIER)


def _later(
    moment: datetime, useful_until: datetime, bounds: Bounds, words: tuple[str, str]
) -> tuple[datetime | None, str]:
    """Return the end of quiet hours with the first of the sentences; None with the second if that is too late."""
    later = bounds.rules.quiet.end_after(moment, bounds.course.zone)
    if later is not None and later <= useful_until:
        return later, words[0]
    return None, words[1]
