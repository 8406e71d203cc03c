"""Messages close to each other become one when they fit; the others keep a small distance, important ones first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from reminders.care.values import ContactRules, Course, Joined, Occurrence, Outcome, Reason


class Fits(Protocol):
    """Says whether occurrences, rendered together, stay within the segment limit."""

    def __call__(self, members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        """Return True when they fit."""


def join(occurrences: Sequence[Occurrence], course: Course, rules: ContactRules, *, fits: Fits) -> list[Joined]:
    """Return the scheduled occurrences as messages, in send order.

    No instruction is said before its time, none that has to precede something is delayed, and two questions are
    never joined, as the answer would not tell which it means.
    """
    waiting = sorted(occurrences, key=lambda each: (each.send_at, each.importance))
    joined: list[Joined] = []
    while waiting:
        group = _group_at_head(waiting, rules, fits)
        waiting = [each for each in waiting if each not in group]
        joined.append(_as_one(group))
    return _keep_apart(joined, course, rules)


def _group_at_head(waiting: Sequence[Occurrence], rules: ContactRules, fits: Fits) -> list[Occurrence]:
    head = waiting[0]
    group = [head]
    near = [
        each
        for each in waiting[1:]
        if each.send_at - head.send_at <= rules.join_within and each.channel is head.channel
    ]
    for each in sorted(near, key=lambda other: (other.importance, other.send_at)):
        wider = sorted([*group, each], key=lambda member: (member.importance, member.send_at))
        if _may_be_one(wider) and fits(wider):
            group = wider
    return group


def _may_be_one(members: Sequence[Occurrence]) -> bool:
    send_at = max(member.send_at for member in members)
    return (
        sum(member.asks is not None for member in members) <= 1
        and all(send_at <= member.useful_until for member in members)
        and all(send_at <= member.send_at for member in members if member.must_precede)
    )


def _as_one(members: Sequence[Occurrence]) -> Joined:
    first = members[0]
    reasons = list(first.reasons)
    if len(members) > 1:
        others = ", ".join(member.key for member in members[1:])
        reasons.append(Reason(rule="joined", text=f"joined with {others}, due within minutes"))
        for member in members[1:]:
            reasons += (Reason(rule=each.rule, text=f"{member.key}: {each.text}") for each in member.reasons)
    return Joined(
        members=tuple(members),
        send_at=max(member.send_at for member in members),
        useful_until=min(member.useful_until for member in members),
        outcome=Outcome.SCHEDULED,
        reasons=tuple(reasons),
    )


def _keep_apart(messages: Sequence[Joined], course: Course, rules: ContactRules) -> list[Joined]:
    """Move messages that would arrive together a little later, one after the other."""
    spread: list[Joined] = []
    last_at: datetime | None = None
    for message in sorted(messages, key=lambda each: (each.send_at, each.importance)):
        placed = message
        if last_at is not None and message.send_at < last_at + rules.keep_apart:
            placed = _delayed(message, last_at + rules.keep_apart, course, rules)
        if placed.outcome is Outcome.SCHEDULED:
            last_at = placed.send_at
        spread.append(placed)
    return spread


def _delayed(message: Joined, send_at: datetime, course: Course, rules: ContactRules) -> Joined:
    if send_at <= message.useful_until and not rules.quiet.is_quiet(send_at, course.zone):
        minutes = int(rules.keep_apart.total_seconds()) // 60
        reason = Reason(
            rule="kept_apart", text=f"{minutes} min after the message before it, as they don't fit into one"
        )
        return replace(message, send_at=send_at, reasons=(*message.reasons, reason))
    outcome = Outcome.AT_CHECKOUT if message.required else Outcome.WITHHELD
    reason = Reason(rule=str(outcome), text="no moment is left beside the message before it")
    return replace(message, outcome=outcome, reasons=(*message.reasons, reason))
