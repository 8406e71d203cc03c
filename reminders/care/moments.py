"""When an instruction is due by the plan alone: its moments, before quiet hours have their say."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from typing import NamedTuple

from reminders.care.plan import Instruction, StaffTask
from reminders.care.resolving import Resolved
from reminders.care.timing import instant_of, local_day, local_time
from reminders.care.timings import AfterAnchor, AfterVisit, BeforeAnchor, BeforeVisit, EachDay, OnDay, When
from reminders.care.values import Course, Reason, Slot
from reminders.sentences import MONTHS, WEEKDAYS, english

_ANCHORS_IN_WORDS = {
    "procedure_end": english("the procedure ended"),
    "block_placed": english("the block was placed"),
    "dressing_applied": english("the dressing was put on"),
    "visit": english("the visit"),
}
_SLOTS = {
    Slot.MORNING: english("morning"),
    Slot.MIDDAY: english("midday"),
    Slot.EVENING: english("evening"),
    Slot.BEDTIME: english("bedtime"),
}
_AT = english("{clock}, when {event}")
_BEFORE = english("{clock}, {distance} before {event} at {other_clock}")
_AFTER = english("{clock}, {distance} after {event} at {other_clock}")
_ON_DAY = english("day {day}, {slot} ({clock})")
_BY_VISIT: Mapping[tuple[bool, int], str] = {
    (True, -2): english("{days} days before the visit, {slot} ({clock})"),
    (True, -1): english("1 day before the visit, {slot} ({clock})"),
    (True, 0): english("on the day of the visit, {slot} ({clock})"),
    (True, 1): english("1 day after the visit, {slot} ({clock})"),
    (True, 2): english("{days} days after the visit, {slot} ({clock})"),
    (False, -2): english("{days} days before the day the visit is due, {slot} ({clock})"),
    (False, -1): english("1 day before the day the visit is due, {slot} ({clock})"),
    (False, 0): english("on the day the visit is due, {slot} ({clock})"),
    (False, 1): english("1 day after the day the visit is due, {slot} ({clock})"),
    (False, 2): english("{days} days after the day the visit is due, {slot} ({clock})"),
}
"""By whether it is booked, and by days from it; 2 stands for all further ones, as languages count differently."""


class Moment(NamedTuple):
    """One planned instant of an instruction and the rule it follows from."""

    planned_at: datetime
    reason: Reason
    must_precede: bool = False


def moments(instruction: Instruction | StaffTask, resolved: Resolved) -> list[Moment]:
    """Return the instruction's moments, earliest first; empty when it counts from a visit nobody booked.

    A zone that skips a whole day gives two days the same instant: that is one moment, not two.
    """
    if len(instruction.when) == 1:
        return _in_order(_moments_of(instruction.when[0], resolved))
    return _in_order([moment for when in instruction.when for moment in _moments_of(when, resolved)])


def names_in(when: When) -> Iterator[str]:
    """Yield the settings and anchors that a timing follows from, and its plain numbers as text."""
    match when:
        case AfterAnchor():
            yield from (str(each) for each in (when.after, when.hours, when.minutes))
        case BeforeAnchor():
            yield from (str(each) for each in (when.before, when.hours, when.minutes))
        case OnDay():
            yield from map(str, when.on_day if isinstance(when.on_day, tuple) else (when.on_day,))
        case EachDay():
            yield from (
                str(each) for each in (when.after, when.from_day, when.until_day, when.times) if each is not None
            )
        case BeforeVisit():
            yield from ("visit", "visit_day", str(when.before_visit_days))
        case AfterVisit():
            yield from ("visit", "visit_day", str(when.after_visit_days))


def goes_by_days(instruction: Instruction) -> bool:
    """Say whether the moments are slots of days, perhaps only those after an anchor.

    Patients of one day with their visit on one day then share them, however late each procedure ended.
    """
    return len(instruction.when) == 1 and isinstance(instruction.when[0], OnDay | EachDay | BeforeVisit | AfterVisit)


def moments_of_days(instruction: Instruction, resolved: Resolved) -> list[Moment]:
    """Return the moments of an instruction that goes by days, those too that lie before its anchor."""
    (when,) = instruction.when
    found = _each_day(when, resolved) if isinstance(when, EachDay) else _moments_of(when, resolved)
    return _in_order(found)


def days_over(found: Sequence[Moment], instruction: Instruction, resolved: Resolved) -> int:
    """Return how many of the moments of an instruction that goes by days are not after its anchor."""
    (when,) = instruction.when
    return _over(found, when, resolved) if isinstance(when, EachDay) else 0


def _over(found: Sequence[Moment], when: EachDay, resolved: Resolved) -> int:
    """Return how many of its moments are not after its anchor: none without one, all if that does not come."""
    if when.after is None:
        return 0
    after = resolved.anchors.get(when.after)
    return len(found) if after is None else bisect_right(found, after, key=lambda moment: moment.planned_at)


def _in_order(each: list[Moment]) -> list[Moment]:
    if len(each) < 2:
        return each
    found = {moment.planned_at: moment for moment in each}
    return [found[planned_at] for planned_at in sorted(found)]


def clock_text(instant: datetime, course: Course) -> str:
    """Return an instant as staff read it: the wall clock, with the date when it is not the procedure's own."""
    return _clock_text(instant, course.zone, course.day_0)


@lru_cache(maxsize=8192)  # the same few instants are told of again and again
def _clock_text(instant: datetime, zone: tzinfo, day_0: date) -> str:
    local = local_time(instant, zone)
    clock = f"{local.hour:02}:{local.minute:02}"
    if local.date() == day_0:
        return clock
    return f"{WEEKDAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]} {clock}"


def _moments_of(when: When, resolved: Resolved) -> list[Moment]:
    course = resolved.course
    match when:
        case AfterAnchor():
            minutes = 60 * resolved.amount(when.hours) + resolved.amount(when.minutes)
            return _elapsed(when.after, minutes, course, resolved)
        case BeforeAnchor():
            minutes = 60 * resolved.amount(when.hours) + resolved.amount(when.minutes)
            return _elapsed(when.before, -minutes, course, resolved)
        case OnDay():
            numbers = when.on_day if isinstance(when.on_day, tuple) else (when.on_day,)
            return [_on_day(number, when.at, course) for number in map(resolved.amount, numbers)]
        case EachDay():
            found = _in_order(_each_day(when, resolved))
            return found[_over(found, when, resolved) :]
        case BeforeVisit():
            return [_by_visit(-resolved.amount(when.before_visit_days), when.at, course, resolved)]
        case AfterVisit():
            return [_by_visit(resolved.amount(when.after_visit_days), when.at, course, resolved)]


def _elapsed(anchor: str, minutes: int, course: Course, resolved: Resolved) -> list[Moment]:
    base = resolved.anchors.get(anchor)
    if base is None:
        return []
    planned_at = base + timedelta(minutes=minutes)
    event = _ANCHORS_IN_WORDS.get(anchor) or resolved.plan.file.anchors[anchor].says
    because = _elapsed_text(minutes, event, clock_text(planned_at, course), clock_text(base, course))
    return [Moment(planned_at, _timing(because), must_precede=minutes < 0)]


@lru_cache(maxsize=4096)  # of one day, patients share the minute more often than not
def _elapsed_text(minutes: int, event: str, clock: str, base_clock: str) -> str:
    if not minutes:
        return _AT.format(clock=clock, event=event)
    sentence = _BEFORE if minutes < 0 else _AFTER
    return sentence.format(clock=clock, distance=_length_text(abs(minutes)), event=event, other_clock=base_clock)


def _length_text(minutes: int) -> str:
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def _on_day(number: int, slot: Slot, course: Course) -> Moment:
    return _at_slot(course.day_0, number, slot, course.slots[slot], course.zone)


@lru_cache(maxsize=4096)  # the patients of one day share most of their moments
def _at_slot(day_0: date, number: int, slot: Slot, wall: time, zone: tzinfo) -> Moment:
    planned_at = instant_of(day_0 + timedelta(days=number), wall, zone)
    text = _ON_DAY.format(day=number, slot=_SLOTS[slot], clock=_clock_text(planned_at, zone, day_0))
    return Moment(planned_at=planned_at, reason=_timing(text))


def _each_day(when: EachDay, resolved: Resolved) -> list[Moment]:
    first_day = 0 if when.from_day is None else resolved.amount(when.from_day)
    slots = when.each_day if when.times is None else when.each_day[-resolved.amount(when.times) :]
    days = range(first_day, resolved.amount(when.until_day))
    return [_on_day(number, slot, resolved.course) for number in days for slot in slots]


def _by_visit(days: int, slot: Slot, course: Course, resolved: Resolved) -> Moment:
    visit = resolved.anchors.get("visit")
    if visit is None:
        visit_on = course.day_0 + timedelta(days=resolved.amount("visit_day"))
    else:
        visit_on = local_day(visit, course.zone)
    planned_at = instant_of(visit_on + timedelta(days=days), course.slots[slot], course.zone)
    sentence = _BY_VISIT[visit is not None, max(-2, min(days, 2))]
    text = sentence.format(days=abs(days), slot=_SLOTS[slot], clock=clock_text(planned_at, course))
    return Moment(planned_at=planned_at, reason=_timing(text))


def _timing(text: str) -> Reason:
    return Reason(rule="timing", text=text)
