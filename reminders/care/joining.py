"""Messages close to each other become one when they fit; the others keep a small distance, required ones first."""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import islice, pairwise, takewhile
from typing import Protocol

from reminders.care.recent import Recent
from reminders.care.values import ContactRules, Course, Joined, Occurrence, Outcome, Reason
from reminders.sentences import english


class Fits(Protocol):
    """Says whether occurrences, rendered together, stay within the segment limit."""

    def __call__(self, members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        """Return True when they fit."""


def join(
    occurrences: Sequence[Occurrence],
    course: Course,
    rules: ContactRules,
    *,
    fits: Fits,
    others: Sequence[datetime] = (),
) -> list[Joined]:
    """Return the scheduled occurrences as messages, in send order.

    No instruction is said before its time, none that has to precede something is delayed, and two questions are
    never joined, as the answer would not tell which it means. `others` are the instants of messages that the
    patient gets anyway; a distance is kept from them too.
    """
    waiting = sorted(occurrences, key=lambda each: (each.send_at, each.importance))
    last = len(waiting) - 1
    joined: list[Joined] = []
    in_a_group: set[int] = set()
    for place, head in enumerate(waiting):
        if id(head) in in_a_group:
            continue
        if place == last or waiting[place + 1].send_at - head.send_at > rules.join_within:
            joined.append(head.alone)
            continue
        latest = head.send_at + rules.join_within
        near = [each for each in _until(latest, islice(waiting, place + 1, None)) if id(each) not in in_a_group]
        group = _group_of(head, near, course, rules, fits)
        in_a_group.update(map(id, group))
        joined.append(_as_one(group) if len(group) > 1 else head.alone)
    return _keep_apart(joined, course, rules, others)


def _until(latest: datetime, waiting: Iterable[Occurrence]) -> Iterable[Occurrence]:
    return takewhile(lambda each: each.send_at <= latest, waiting)


def _group_of(
    head: Occurrence, near: list[Occurrence], course: Course, rules: ContactRules, fits: Fits
) -> list[Occurrence]:
    near.sort(key=lambda each: (each.importance, each.send_at))
    group = [head]
    for each in near:
        wider = sorted([*group, each], key=lambda member: (member.importance, member.send_at))
        if each.channel is head.channel and _may_be_one(wider, course, rules) and fits(wider):
            group = wider
    return group


def _may_be_one(members: Sequence[Occurrence], course: Course, rules: ContactRules) -> bool:
    if sum([member.asks is not None for member in members]) > 1:
        return False
    send_at = max([member.send_at for member in members])
    if any(send_at > member.useful_until for member in members):
        return False
    delayed = [member for member in members if member.send_at < send_at]
    # Only what may go out at night by itself may be the reason to write at night.
    return not delayed or not (
        any(member.must_precede for member in delayed) or rules.quiet.is_quiet(send_at, course.zone)
    )


_JOINED: Recent[Joined] = Recent(2048)
"""What was joined last, by the identity of its members: patients of one day share most of their occurrences."""


def _as_one(members: Sequence[Occurrence]) -> Joined:
    # The message holds its members, so as long as it is kept nothing else can have their identity.
    return _JOINED.get(tuple(map(id, members)), lambda: _made_one(tuple(members)))


def _made_one(members: tuple[Occurrence, ...]) -> Joined:
    others = ", ".join(member.key for member in members[1:])
    return Joined(
        members=members,
        send_at=max(member.send_at for member in members),
        useful_until=min(member.useful_until for member in members),
        outcome=Outcome.SCHEDULED,
        reasons=(
            *members[0].reasons,
            Reason(rule="joined", text=english("joined with {keys}, due within minutes").format(keys=others)),
            *(
                Reason(rule=reason.rule, text=f"{member.key}: {reason.text}")
                for member in members[1:]
                for reason in member.reasons
            ),
        ),
    )


def _keep_apart(
    messages: Sequence[Joined], course: Course, rules: ContactRules, others: Sequence[datetime]
) -> list[Joined]:
    """Move messages that would arrive together a little later, one after the other.

    The required ones choose first, so that an optional one never takes the only room that a required one has.
    """
    in_order = sorted(messages, key=_order)
    if not others and all(b.send_at - a.send_at >= rules.keep_apart for a, b in pairwise(in_order)):
        return in_order
    busy = sorted(others)
    placed: list[Joined] = []
    for message in sorted(in_order, key=lambda each: not each.required):
        free_at = _free_from(message.send_at, busy, rules.keep_apart)
        found = message if free_at == message.send_at else _delayed(message, free_at, course, rules)
        if found.outcome is Outcome.SCHEDULED:
            insort(busy, found.send_at)
        placed.append(found)
    return sorted(placed, key=_order)


def _order(message: Joined) -> tuple[datetime, int]:
    return message.send_at, message.members[0].importance


def _free_from(instant: datetime, busy: Sequence[datetime], apart: timedelta) -> datetime:
    """Return the first instant from `instant` on that is `apart` from all busy ones, which are in order."""
    for taken in islice(busy, bisect_right(busy, instant - apart), None):
        if taken - instant >= apart:
            break
        instant = taken + apart
    return instant


def _delayed(message: Joined, send_at: datetime, course: Course, rules: ContactRules) -> Joined:
    minutes = int(rules.keep_apart.total_seconds()) // 60
    becomes_quiet = rules.quiet.is_quiet(send_at, course.zone) and not rules.quiet.is_quiet(
        message.send_at, course.zone
    )
    if send_at <= message.useful_until and not becomes_quiet:
        after = english("{minutes} min after the message before it, as they don't fit into one")
        text = after.format(minutes=minutes)
        return replace(message, send_at=send_at, reasons=(*message.reasons, Reason(rule="kept_apart", text=text)))
    if message.required:
        return message
    text = english("no moment is left {minutes} min after the message before it").format(minutes=minutes)
    reason = Reason(rule="withheld", text=text)
    return replace(message, outcome=Outcome.WITHHELD, reasons=(*message.reasons, reason))
