"""When an instruction is due by the plan alone: its moments, before quiet hours have their say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from reminders.care.plan import AfterAnchor, AfterVisit, BeforeAnchor, BeforeVisit, EachDay, Instruction, OnDay, When
from reminders.care.resolving import Resolved
from reminders.care.timing import date_of_day, instant_of, local_day
from reminders.care.values import Course, Slot

_ANCHORS_IN_WORDS = {
    "procedure_end": "the procedure ended",
    "block_placed": "the block was placed",
    "dressing_applied": "the dressing was put on",
    "visit": "the visit",
}


@dataclass(frozen=True, kw_only=True)
class Moment:
    """One planned instant of an instruction and the rule it follows from, in words."""

    planned_at: datetime
    because: str
    must_precede: bool = False


def moments(instruction: Instruction, resolved: Resolved) -> list[Moment]:
    """Return the instruction's moments in the order of the plan; empty when it counts from a visit nobody booked."""
    found: list[Moment] = []
    for when in instruction.when:
        found += _moments_of(when, resolved.course, resolved)
    return found


def clock_text(instant: datetime, course: Course) -> str:
    """Return an instant as staff read it: the wall clock, with the date when it is not the procedure's own."""
    local = instant.astimezone(course.zone)
    if local.date() == local_day(course.procedure_end, course.zone):
        return f"{local:%H:%M}"
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def _moments_of(when: When, course: Course, resolved: Resolved) -> Iterator[Moment]:
    match when:
        case AfterAnchor():
            yield from _elapsed(when.after, _length(when, resolved), course, resolved)
        case BeforeAnchor():
            yield from _elapsed(when.before, -_length(when, resolved), course, resolved)
        case OnDay():
            numbers = when.on_day if isinstance(when.on_day, tuple) else (when.on_day,)
            for number in map(resolved.amount, numbers):
                yield _on_day(number, when.at, course)
        case EachDay():
            yield from _each_day(when, course, resolved)
        case BeforeVisit():
            yield _by_visit(-resolved.amount(when.before_visit_days), when.at, course, resolved)
        case AfterVisit():
            yield _by_visit(resolved.amount(when.after_visit_days), when.at, course, resolved)


def _length(when: AfterAnchor | BeforeAnchor, resolved: Resolved) -> timedelta:
    return timedelta(hours=resolved.amount(when.hours), minutes=resolved.amount(when.minutes))


def _elapsed(anchor: str, length: timedelta, course: Course, resolved: Resolved) -> Iterator[Moment]:
    base = resolved.anchors.get(anchor)
    if base is None:
        return
    planned_at = base + length
    event = _ANCHORS_IN_WORDS.get(anchor) or resolved.plan.file.anchors[anchor].says
    if not length:
        because = f"{clock_text(planned_at, course)}, when {event}"
    else:
        order = "before" if length < timedelta(0) else "after"
        distance = f"{_length_text(abs(length))} {order} {event}"
        because = f"{clock_text(planned_at, course)}, {distance} at {clock_text(base, course)}"
    yield Moment(planned_at=planned_at, because=because, must_precede=length < timedelta(0))


def _length_text(length: timedelta) -> str:
    minutes = int(length.total_seconds()) // 60
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def _on_day(number: int, slot: Slot, course: Course) -> Moment:
    day = date_of_day(number, procedure_end=course.procedure_end, zone=course.zone)
    planned_at = instant_of(day, course.slots[slot], course.zone)
    return Moment(planned_at=planned_at, because=f"day {number}, {slot} ({clock_text(planned_at, course)})")


def _each_day(when: EachDay, course: Course, resolved: Resolved) -> Iterator[Moment]:
    until = resolved.amount(when.until_day)
    after = resolved.anchors.get(when.after) if when.after else None
    if when.after and after is None:
        return
    first_day = 0 if when.from_day is None else resolved.amount(when.from_day)
    slots = sorted(set(when.each_day), key=lambda slot: course.slots[slot])
    latest: datetime | None = None
    for number in range(first_day, until):
        for slot in slots:
            moment = _on_day(number, slot, course)
            # A zone that skips a whole day gives two days the same instant: it is one moment, not two.
            is_new = latest is None or moment.planned_at > latest
            if is_new and (after is None or moment.planned_at > after):
                latest = moment.planned_at
                yield moment


def _by_visit(days: int, slot: Slot, course: Course, resolved: Resolved) -> Moment:
    visit = resolved.anchors.get("visit")
    if visit is None:
        number = resolved.amount("visit_day")
        visit_on = date_of_day(number, procedure_end=course.procedure_end, zone=course.zone)
    else:
        visit_on = local_day(visit, course.zone)
    planned_at = instant_of(visit_on + timedelta(days=days), course.slots[slot], course.zone)
    when = (
        "on the day of" if not days else f"{abs(days)} day{'s' * (abs(days) > 1)} {'before' if days < 0 else 'after'}"
    )
    booked = "the visit" if visit is not None else "the day the visit is due"
    return Moment(planned_at=planned_at, because=f"{when} {booked}, {slot} ({clock_text(planned_at, course)})")
