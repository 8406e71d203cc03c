"""Knows when to try again after nothing could be handed over."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

FIRST_DELAY = timedelta(seconds=30)
LONGEST_DELAY = timedelta(minutes=30)
_DOUBLINGS = 6
_AFTER_THE_END = timedelta(seconds=1)


def next_try(tries: int, *, now: datetime, useful_until: datetime, random: Random) -> datetime:
    """Return when to try again after `tries` tries: each wait about twice the last one, by lot half to one and a half.

    Near `useful_until` half of the time that is left, then that moment itself. From then on a moment later, at which
    the gate withholds the message. Always later than `now`.
    """
    doublings = max(0, min(tries - 1, _DOUBLINGS))
    delay = min(FIRST_DELAY * (1 << doublings), LONGEST_DELAY) * random.uniform(0.5, 1.5)
    if now + delay <= useful_until:
        return now + delay
    left = useful_until - now
    if left > FIRST_DELAY:
        return now + left / 2
    return useful_until if left > timedelta(0) else now + _AFTER_THE_END
