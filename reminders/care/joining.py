"""Messages close to each other become one when they fit; the others keep a small distance, important ones first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import islice, takewhile
from typing import Protocol

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
    joined: list[Joined] = []
    in_a_group: set[int] = set()
    for place, head in enumerate(waiting):
        if id(head) in in_a_group:
            continue
        latest = head.send_at + rules.join_within
        if place + 1 == len(waiting) or waiting[place + 1].send_at > latest:
            joined.append(head.alone)
            continue
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
    send_at = max(member.send_at for member in members)
    delayed = [member for member in members if member.send_at < send_at]
    return (
        sum(member.asks is not None for member in members) <= 1
        and all(send_at <= member.useful_until for member in members)
        and not any(member.must_precede for member in delayed)
        # Only what may go out at night by itself may be the reason to write at night.
        and not (delayed and rules.quiet.is_quiet(send_at, course.zone))
    )


def _as_one(members: Sequence[Occurrence]) -> Joined:
    others = ", ".join(member.key for member in members[1:])
    return Joined(
        members=tuple(members),
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
    """Move messages that would arrive together a little later, one after the other."""
    busy = sorted(others)
    spread: list[Joined] = []
    last_at = datetime.min.replace(tzinfo=UTC)
    for message in sorted(messages, key=lambda each: (each.send_at, each.importance)):
        send_at = max(message.send_at, last_at + rules.keep_apart)
        for instant in busy:
            if abs(instant - send_at) < rules.keep_apart:
                send_at = instant + rules.keep_apart
        placed = message if send_at == message.send_at else _delayed(message, send_at, course, rules)
        if placed.outcome is Outcome.SCHEDULED:
            last_at = placed.send_at
        spread.append(placed)
    return spread


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
