"""What quiet hours do to one planned moment: let it stand, move it, have it said at the desk, or withhold it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

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
    reasons: tuple[Reason, ...]


def place(wish: Wish, course: Course, rules: ContactRules, *, not_before: datetime, at_desk: bool) -> Place:
    """Find the instant at which a message may go out.

    `not_before` is the instant from which anything can be sent. What fits nowhere is said at the desk when it is
    required and the patient still stands there (`at_desk`), else withheld.
    """
    moment, reasons = wish.planned_at, []
    if moment < not_before:
        reasons.append(_reason("not_before", f"that was over, so at once, {clock_text(not_before, course)}"))
        moment = not_before
    if moment > wish.useful_until:
        text = f"it was useful until {clock_text(wish.useful_until, course)} only"
        return _nowhere(wish, text, at_desk=at_desk, not_before=not_before)
    if not rules.quiet.is_quiet(moment, course.zone):
        return Place(send_at=moment, outcome=Outcome.SCHEDULED, reasons=tuple(reasons))
    moved, text = _around_quiet(moment, wish, course, rules, not_before=not_before)
    if moved is None:
        return _nowhere(wish, text, at_desk=at_desk, not_before=not_before)
    return Place(send_at=moved, outcome=Outcome.SCHEDULED, reasons=(*reasons, _reason("quiet_hours", text)))


def _around_quiet(
    moment: datetime, wish: Wish, course: Course, rules: ContactRules, *, not_before: datetime
) -> tuple[datetime | None, str]:
    """Return the instant outside quiet hours, None when there is none, and the reason in words."""
    zone = course.zone
    start = rules.quiet.start_before(moment, zone)
    quiet = f"quiet from {start:%H:%M}" if start else "quiet hours"
    move = wish.quiet
    if move is QuietMove.SEND:
        if course.night_contact_agreed:
            return moment, f"{quiet}, but the patient agreed to be contacted at night"
        move = QuietMove.LATER
        quiet += " and no agreement to be contacted at night"
    if move is QuietMove.EARLIER:
        earlier = rules.quiet.last_moment_before(moment, zone, rules.before_quiet)
        if earlier is not None and earlier > not_before:
            return earlier, f"{quiet}, so {clock_text(earlier, course)}"
        return None, f"{quiet}, and no earlier moment is left"
    if move is QuietMove.LATER:
        later = rules.quiet.end_after(moment, zone)
        if later is not None and later <= wish.useful_until:
            return later, f"{quiet}, so {clock_text(later, course)}"
        return None, f"{quiet}, and when they end it is no longer useful"
    return None, f"{quiet}, and this one is dropped then"


def _nowhere(wish: Wish, text: str, *, at_desk: bool, not_before: datetime) -> Place:
    if wish.required and at_desk:
        return Place(
            send_at=not_before,
            outcome=Outcome.AT_CHECKOUT,
            reasons=(_reason("at_checkout", f"{text}: said at the desk and printed on the sheet"),),
        )
    return Place(send_at=wish.planned_at, outcome=Outcome.WITHHELD, reasons=(_reason("withheld", text),))


def _reason(rule: str, text: str) -> Reason:
    return Reason(rule=rule, text=text)
