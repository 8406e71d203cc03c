"""Which messages go first when not all can go at once, and what becomes of a load under a limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from heapq import heappop, heappush
from itertools import islice
from operator import attrgetter
from typing import NamedTuple

NEVER_YIELDS = 1
"""Messages of this importance go before all others: an answer to an emergency does not wait for anybody's deadline."""

_STEP = timedelta(minutes=1)
_LONG = 1000
_LONGER_STEPS = 5
"""A backlog of more than a thousand is reckoned in longer steps, as what comes anew matters little then."""


@dataclass(frozen=True, kw_only=True, order=True)
class Limit:
    """At most so many messages in any window of so many seconds."""

    seconds: int
    most: int

    @property
    def burst(self) -> int:
        """How many may go at once after a pause."""
        return 1 + self.most // 10

    @property
    def interval(self) -> timedelta:
        """How far apart they are after that.

        A window [t, t + seconds) holds the burst and what became free within it, less the one that both count, and
        that is never more than `most` (generic cell rate algorithm, ITU-T I.371 annex A, from memory).
        """
        microseconds = self.seconds * 1_000_000
        return timedelta(microseconds=-(-microseconds // (self.most - self.most // 10)))


class Waiting(NamedTuple):
    """A message that waits to be sent."""

    id: int
    importance: int
    """1 comes first, 9 last."""
    due_at: datetime
    useful_until: datetime


@dataclass(frozen=True, kw_only=True)
class Foreseen:
    """What becomes of a load under a limit."""

    sent_at: dict[int, datetime]
    """By id."""
    missed: tuple[int, ...]
    """Those that can't be sent while they are useful, in the order of their deadlines."""


def longest_interval(limits: Iterable[Limit]) -> timedelta:
    """Return how far apart messages are when all these limits are held; zero when there is none."""
    return max((limit.interval for limit in limits), default=timedelta(0))


def next_to_go(waiting: Sequence[Waiting], *, now: datetime, interval: timedelta, count: int) -> list[Waiting]:
    """Return which `count` of the messages due go now, when one may go every `interval`.

    By importance, then by the nearest deadline. But a less important one goes first when it would miss its deadline
    otherwise and no more important one misses its own by that; those of the first importance yield to nobody. When
    not all can be met, the least important are given up. What is of no use at `now` must not be among them.
    """
    if not interval or len(waiting) <= count:
        return sorted(waiting, key=_by_importance)[:count]
    first = sorted((each for each in waiting if each.importance <= NEVER_YIELDS), key=_by_importance)[:count]
    left = count - len(first)
    if not left:
        return first
    starts = now + len(first) * interval
    others = [each for each in waiting if each.importance > NEVER_YIELDS]
    kept, given_up = _that_can_be_met(others, starts, interval)
    chosen = _of_the_pressing(kept, starts, interval, left)
    rest = (each for each in sorted(given_up, key=_by_deadline))
    return [*first, *chosen, *islice(rest, left - len(chosen))]


def foresee(load: Iterable[Waiting], *, limits: Sequence[Limit]) -> Foreseen:
    """Return when each message goes out if nothing else comes, and which miss their deadlines.

    Reckoned in steps of a minute, in which the order of `next_to_go` holds; without limits each goes when it is due.
    """
    to_come = sorted(load, key=attrgetter("due_at"))
    interval = longest_interval(limits)
    if not interval:
        return Foreseen(sent_at={each.id: each.due_at for each in to_come}, missed=())
    count = max(1, _STEP // interval)
    waiting: dict[int, Waiting] = {}
    sent_at: dict[int, datetime] = {}
    missed: list[Waiting] = []
    at, now = 0, min((each.due_at for each in to_come), default=None)
    while now is not None and (at < len(to_come) or waiting):
        if not waiting:
            now = max(now, to_come[at].due_at)
        while at < len(to_come) and to_come[at].due_at <= now:
            waiting[to_come[at].id] = to_come[at]
            at += 1
        missed += [waiting.pop(each.id) for each in tuple(waiting.values()) if each.useful_until < now]
        turns = count if len(waiting) <= _LONG else count * _LONGER_STEPS
        going = next_to_go(tuple(waiting.values()), now=now, interval=interval, count=turns)
        for each in going:
            del waiting[each.id]
            if now <= each.useful_until:
                sent_at[each.id] = now
                now += interval
            else:
                missed.append(each)
    return Foreseen(sent_at=sent_at, missed=tuple(each.id for each in sorted(missed, key=_by_deadline)))


def _that_can_be_met(
    waiting: Sequence[Waiting], starts: datetime, interval: timedelta
) -> tuple[list[Waiting], list[Waiting]]:
    """Return, by deadline, the messages whose deadlines can all be met, and those given up for them.

    Messages that take the same time are met best in the order of their deadlines; when one can't be, the least
    important so far is given up (a matroid, so the greedy choice is the best one; J. B. Lasserre and others call it
    the scheduling of unit tasks with deadlines and penalties: Cormen et al., Introduction to Algorithms, 16.5, from
    memory).
    """
    kept: list[tuple[int, datetime, int, Waiting]] = []
    given_up: list[Waiting] = []
    for each in sorted(waiting, key=_by_deadline):
        heappush(kept, (-each.importance, each.useful_until, each.id, each))
        if starts + (len(kept) - 1) * interval > each.useful_until:
            given_up.append(heappop(kept)[3])
    return sorted((entry[3] for entry in kept), key=_by_deadline), given_up


def _of_the_pressing(kept: list[Waiting], starts: datetime, interval: timedelta, count: int) -> list[Waiting]:
    """Return the `count` most important, or of those only whose deadlines would not be met after `count` others."""
    chosen = sorted(kept, key=_by_importance)[:count]
    for at, each in enumerate(kept):
        if starts + (at + count) * interval > each.useful_until:
            pressing = kept[: at + 1]
            if len(pressing) >= count:
                return sorted(pressing, key=_by_importance)[:count]
            taken = {one.id for one in pressing}
            others = sorted((one for one in kept if one.id not in taken), key=_by_importance)
            return sorted(pressing, key=_by_importance) + others[: count - len(pressing)]
    return chosen


def _by_importance(each: Waiting) -> tuple[int, datetime, int]:
    return each.importance, each.useful_until, each.id


def _by_deadline(each: Waiting) -> tuple[datetime, int]:
    return each.useful_until, each.id
