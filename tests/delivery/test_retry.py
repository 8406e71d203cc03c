"""When a message is tried again."""

from __future__ import annotations

from datetime import timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.delivery.retry import FIRST_DELAY, LONGEST_DELAY, next_try
from tests.stored import NOON

FAR = NOON + timedelta(days=30)


@pytest.mark.parametrize(
    ("tries", "usual_seconds"),
    [(1, 30), (2, 60), (3, 120), (4, 240), (5, 480), (6, 960), (7, 1800), (8, 1800), (500, 1800)],
)
def test_each_wait_is_twice_the_last_up_to_half_an_hour(tries: int, usual_seconds: int) -> None:
    waits = [
        (next_try(tries, now=NOON, useful_until=FAR, random=Random(seed)) - NOON).total_seconds() for seed in range(200)
    ]
    assert usual_seconds * 0.5 <= min(waits) < usual_seconds * 0.6
    assert usual_seconds * 1.4 < max(waits) <= usual_seconds * 1.5


@given(tries=st.integers(1, 100), left=st.timedeltas(timedelta(0), timedelta(days=3)), seed=st.integers(0, 2**32))
def test_never_after_it_is_useful(tries: int, left: timedelta, seed: int) -> None:
    at = next_try(tries, now=NOON, useful_until=NOON + left, random=Random(seed))
    assert NOON < at <= NOON + (left or timedelta(seconds=1))


def test_near_the_end_it_is_tried_again_soon_enough() -> None:
    """Half of what is left, again and again: an hour has at least five tries in it, and not thousands."""
    now, tries, end = NOON, 8, NOON + timedelta(hours=1)
    while now < end:
        now, tries = next_try(tries, now=now, useful_until=end, random=Random(tries)), tries + 1
    assert 5 <= tries - 8 <= 15


def test_the_delays_are_what_the_manual_says() -> None:
    assert (timedelta(seconds=30), timedelta(minutes=30)) == (FIRST_DELAY, LONGEST_DELAY)
