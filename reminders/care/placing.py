"""What quiet hours do to one planned moment: let it stand, move it, have it said at the desk, or withhold it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from reminders.care.circumstances import Circumstances
from reminders.care.moments import clock_text
from reminders.care.values import ContactRules, Course, Outcome, QuietMove, Reason


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What an instruction asks of its moment."""

    planned_at: datetime
    useful_until: datetime
    quiet: QuietMove
    required: bool


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where the moment ended up, and why if it moved."""

    send_at: datetime
    outcome: Outcome
    reasons: tuple[Reason, ...] = ()


def place(wish: Wish, course: Course, rules: ContactRules, now: Circumstances) -> Place:
    """Find the instant at which a message may go out.

    What fits nowhere is said at the desk when it is required and the patient still stands there, else withheld.
    """
    moment = wish.planned_at
    reasons: tuple[Reason, ...] = ()
    if moment < now.not_before:
        moment = now.not_before
        reasons = (Reason(rule="not_before", text=f"that was over, so at once, {clock_text(moment, course)}"),)
    if moment > wish.useful_until:
        return _nowhere(wish, f"it was useful until {clock_text(wish.useful_until, course)} only", now)
    start = rules.quiet.start_before(moment, course.zone)
    if start is None:
        return Place(send_at=moment, outcome=Outcome.SCHEDULED, reasons=reasons)
    quiet = f"quiet from {start.hour:02}:{start.minute:02}"
    moved, text = _around_quiet(moment, wish, course, rules, now)
    if moved is None:
        return _nowhere(wish, f"{quiet}{text}", now)
    reason = Reason(rule="quiet_hours", text=f"{quiet}{text}")
    return Place(send_at=moved, outcome=Outcome.SCHEDULED, reasons=(*reasons, reason))


def _around_quiet(
    moment: datetime, wish: Wish, course: Course, rules: ContactRules, now: Circumstances
) -> tuple[datetime | None, str]:
    """Return the instant outside quiet hours, None when there is none, and the reason in words."""
    match wish.quiet:
        case QuietMove.WITHHOLD:
            return None, ", and this one is dropped then"
        case QuietMove.EARLIER:
            return _earlier(moment, wish, course, rules, now)
        case QuietMove.LATER:
            return _later(moment, wish, course, rules)
    if course.night_contact_agreed:
        return moment, ", but the patient agreed to be contacted at night"
    return _later(moment, wish, course, rules, because=" and no agreement to be contacted at night")


def _earlier(
    moment: datetime, wish: Wish, course: Course, rules: ContactRules, now: Circumstances
) -> tuple[datetime | None, str]:
    earlier = rules.quiet.last_moment_before(moment, course.zone, rules.before_quiet)
    if earlier is not None and earlier > now.not_before:
        return earlier, f", so {clock_text(earlier, course)}"
    if now.at_desk:
        return None, ", and no earlier moment is left"
    # Nobody can say it at the desk any more, so a moment that is less good is better than none.
    if not rules.quiet.is_quiet(now.not_before, course.zone):
        return now.not_before, f", so at once, {clock_text(now.not_before, course)}"
    return _later(moment, wish, course, rules, because=" and no earlier moment is left")


def _later(
    moment: datetime, wish: Wish, course: Course, rules: ContactRules, *, because: str = ""
) -> tuple[datetime | None, str]:
    later = rules.quiet.end_after(moment, course.zone)
    if later is not None and later <= wish.useful_until:
        return later, f"{because}, so {clock_text(later, course)}"
    return None, f"{because}, and when they end it is no longer useful"


def _nowhere(wish: Wish, text: str, now: Circumstances) -> Place:
    if wish.required and now.at_desk:
        reason = Reason(rule="at_checkout", text=f"{text}: said at the desk and printed on the sheet")
        return Place(send_at=now.not_before, outcome=Outcome.AT_CHECKOUT, reasons=(reason,))
    reason = Reason(rule="withheld", text=text)
    return Place(send_at=wish.planned_at, outcome=Outcome.WITHHELD, reasons=(reason,))
