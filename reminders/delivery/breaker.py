"""Decides when a way out counts as broken, when it is tried again, and how much slower it goes after complaints."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from random import Random

from reminders.records.queue_health import Health

FAILURES_IN_A_ROW = 3
"""After so many the other side counts as away: the next messages would only fail as well, or be in doubt."""
FIRST_PAUSE = timedelta(seconds=10)
LONGEST_PAUSE = timedelta(minutes=2)
"""Between tries; short, since a message that becomes useless meanwhile is lost."""
STAFF_ARE_TOLD_AFTER = timedelta(minutes=2)
PUT_OFF_FOR = timedelta(minutes=10)
"""What answers and takes nothing for so long has a lasting reason, such as a spent quota; shorter ones are common."""
PUT_OFF_AT_LEAST = 5
"""Messages: a few mailboxes that are full say nothing about the way there."""
REFUSALS_IN_A_ROW = 10
"""Of messages, not of addresses, and none taken in between: an account that is closed, a sender that is not ours."""
_MOST_STEPS = 6
_COMPLAINTS_APART = timedelta(seconds=1)
"""Many messages under way at once complain once."""
_RECOVERS_EACH = timedelta(minutes=1)
"""Without a complaint, the pace doubles again."""
_FIRST_STOP = timedelta(milliseconds=500)


def broke(health: Health, now: datetime, random: Random) -> Health:
    """Return the health after a row of failures, or after one more try in vain."""
    if health.broken_since is None:
        return replace(health, broken_since=now, probes=0, retry_at=now + _pause(0, random))
    probes = health.probes + 1
    return replace(health, probes=probes, retry_at=now + _pause(probes, random))


def trying(health: Health, now: datetime) -> Health:
    """Return the health while one worker tries a message: others hold back until it knows."""
    return replace(health, retry_at=now + LONGEST_PAUSE)


def works(health: Health) -> Health:
    """Return the health after a message was taken, refused or put off, which takes somebody who listens."""
    told_at = health.told_at if health.put_off_since is not None else None
    return replace(health, broken_since=None, retry_at=None, probes=0, told_at=told_at)


def put_off(health: Health, messages: int, now: datetime) -> Health:
    """Return the health after the other side put so many messages off and took none."""
    return replace(health, put_off_since=health.put_off_since or now, put_off=health.put_off + messages)


def takes(health: Health) -> Health:
    """Return the health after a message was taken, or refused for good."""
    return replace(health, put_off_since=None, put_off=0, told_at=health.told_at if health.broken_since else None)


def staff_should_know(health: Health, now: datetime) -> bool:
    """Say whether staff have to be told now: once for each time that nothing goes out."""
    if health.told_at is not None:
        return False
    if health.broken_since is not None and now - health.broken_since >= STAFF_ARE_TOLD_AFTER:
        return True
    lasts = health.put_off_since is not None and now - health.put_off_since >= PUT_OFF_FOR
    return lasts and health.put_off >= PUT_OFF_AT_LEAST


def complained(health: Health, now: datetime) -> Health:
    """Return the health after the other side said that we are too fast: half the pace, after a stop."""
    if health.slowed_at is not None and timedelta(0) <= now - health.slowed_at < _COMPLAINTS_APART:
        return health
    steps = min(_steps(health, now) + 1, _MOST_STEPS)
    return replace(health, slow_steps=steps, slowed_at=now, resume_at=now + _FIRST_STOP * (1 << steps))


def slowness(health: Health, now: datetime) -> int:
    """Return how many times slower than its limits a queue has to be: a power of two."""
    return 1 << _steps(health, now)


def blocked_until(health: Health, now: datetime) -> datetime | None:
    """Return until when nothing may be claimed; None when something may."""
    # A clock that was set back must not block for an hour: no pause is longer than the longest one.
    moments = (health.resume_at, health.retry_at if health.broken_since else None)
    return max((each for each in moments if each is not None and now < each <= now + LONGEST_PAUSE), default=None)


def recovered(health: Health, now: datetime) -> Health:
    """Return the health without complaints that are forgotten by now."""
    if health.slow_steps and not _steps(health, now):
        return replace(health, slow_steps=0, slowed_at=None, resume_at=None)
    return health


def _steps(health: Health, now: datetime) -> int:
    if health.slowed_at is None:
        return 0
    return max(0, health.slow_steps - max(timedelta(0), now - health.slowed_at) // _RECOVERS_EACH)


def _pause(probes: int, random: Random) -> timedelta:
    return min(FIRST_PAUSE * (1 << min(probes, 10)), LONGEST_PAUSE) * random.uniform(0.5, 1)
