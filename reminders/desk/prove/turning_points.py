"""At which minutes of the day an enrollment makes a difference: where some comparison of the schedule turns.

A message's time is either an elapsed offset from the end of the procedure, or a wall time of the patient's day. The
schedule only compares such times: with quiet hours, with slots, with the day's beginning, with each other. Between
two turns nothing changes but the clock's reading, so each turn and one minute behind it stand for the whole day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, time

from reminders.care.plan import Instruction
from reminders.care.resolving import Resolved
from reminders.care.timings import AfterAnchor, AfterVisit, BeforeAnchor, BeforeVisit, EachDay, OnDay
from reminders.care.values import ContactRules, Slot
from reminders.desk.prove.cases import length_of_day
from reminders.desk.prove.days import Season

DAY = 24 * 60


def minutes_alone(
    instructions: Iterable[Instruction], resolved: Resolved, rules: ContactRules, season: Season
) -> tuple[int, ...]:
    """Return the minutes that make a difference to instructions each by itself; `resolved` is any course of theirs."""
    return _turns(_offsets(instructions, resolved), _walls(instructions, resolved, rules), season)


def minutes_together(
    instructions: Iterable[Instruction], resolved: Resolved, rules: ContactRules, season: Season
) -> tuple[int, ...]:
    """Return the minutes that make a difference to a whole course, in which near messages are joined or kept apart."""
    walls = _walls(instructions, resolved, rules)
    near = [int(each.total_seconds()) // 60 for each in (rules.join_within, rules.keep_apart)]
    wider = {wall + sign * distance for wall in walls for distance in near for sign in (-1, 1)}
    return _turns(_offsets(instructions, resolved), walls | wider, season)


def every_minute(season: Season) -> tuple[int, ...]:
    """Return all real minutes of the day; 23 or 25 hours of them on a day on which clocks change."""
    return tuple(range(length_of_day(season.day, season.zone)))


def _turns(offsets: set[int], walls: set[int], season: Season) -> tuple[int, ...]:
    length = length_of_day(season.day, season.zone)
    shifts = {sign * shift for shift in season.shifts for sign in (-1, 1)}
    turns = {(wall - offset - shift) % DAY for wall in walls for offset in offsets for shift in shifts}
    found = {minute for turn in turns for minute in (turn, turn + 1)} | {0, length - 1}
    return tuple(sorted(minute for minute in found if 0 <= minute < length))


def _offsets(instructions: Iterable[Instruction], resolved: Resolved) -> set[int]:
    """Return the minutes from the end of the procedure to each elapsed moment, and to when it stops being useful."""
    end = resolved.course.procedure_end
    anchors = {name: _minutes(end, instant) for name, instant in resolved.anchors.items() if name != "visit"}
    found = {0}
    for each in instructions:
        planned = set(_elapsed(each, resolved, anchors))
        found |= planned
        found |= {offset + 60 * (each.useful_hours or 0) for offset in planned}
        found |= {anchors[name] for name in (each.useful_until or "", *_after_anchors(each)) if name in anchors}
    return {offset % DAY for offset in found}


def _elapsed(instruction: Instruction, resolved: Resolved, anchors: Mapping[str, int]) -> Iterator[int]:
    for when in instruction.when:
        if isinstance(when, AfterAnchor | BeforeAnchor):
            length = 60 * resolved.amount(when.hours) + resolved.amount(when.minutes)
            name = when.after if isinstance(when, AfterAnchor) else when.before
            if name in anchors:
                yield anchors[name] + (length if isinstance(when, AfterAnchor) else -length)


def _after_anchors(instruction: Instruction) -> Iterator[str]:
    for when in instruction.when:
        if isinstance(when, EachDay) and when.after:
            yield when.after


def _walls(instructions: Iterable[Instruction], resolved: Resolved, rules: ContactRules) -> set[int]:
    """Return the wall minutes that moments are compared with: midnight, quiet hours, slots and their usefulness."""
    margin = int(rules.before_quiet.total_seconds()) // 60
    found = {0}
    for day in rules.quiet.by_weekday:
        for interval in day:
            start = _wall(interval.start_wall)
            found |= {start, start - margin, _wall(interval.end_wall)}
    for each in instructions:
        for slot in _slots(each):
            at = _wall(resolved.course.slots[slot])
            found |= {at, at + 60 * (each.useful_hours or 0)}
    if "visit" in resolved.anchors:
        found.add(_wall(resolved.anchors["visit"].astimezone(resolved.course.zone).time()))
    return found


def _slots(instruction: Instruction) -> Iterator[Slot]:
    for when in instruction.when:
        if isinstance(when, EachDay):
            yield from when.each_day
        elif isinstance(when, OnDay | BeforeVisit | AfterVisit):
            yield when.at


def _wall(wall: time) -> int:
    return wall.hour * 60 + wall.minute


def _minutes(start: datetime, end: datetime) -> int:
    return int((end - start).total_seconds()) // 60
