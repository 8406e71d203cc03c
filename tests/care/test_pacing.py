"""Who goes first under a limit: nothing misses its deadline that need not."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.care.pacing import Limit, Waiting, foresee, longest_interval, next_to_go

EIGHT = datetime(2026, 6, 10, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
ONE_A_MINUTE = Limit(most=1, seconds=60)


def _waiting(number: int, importance: int, useful_minutes: float, due_minutes: float = 0) -> Waiting:
    return Waiting(number, importance, EIGHT + due_minutes * MINUTE, EIGHT + useful_minutes * MINUTE)


@pytest.mark.parametrize(
    ("limit", "burst", "interval_ms"),
    [
        pytest.param(Limit(most=1, seconds=1), 1, 1000, id="one-a-second"),
        pytest.param(Limit(most=10, seconds=1), 2, 111.112, id="ten: two at once, nine a second"),
        pytest.param(Limit(most=100, seconds=1), 11, 11.112, id="hundred: eleven at once, ninety a second"),
        pytest.param(Limit(most=60, seconds=60), 7, 1111.112, id="sixty-a-minute"),
    ],
)
def test_a_burst_and_what_follows_make_no_more_than_the_limit(limit: Limit, burst: int, interval_ms: float) -> None:
    assert limit.burst == burst
    assert limit.interval / timedelta(milliseconds=1) == pytest.approx(interval_ms)
    assert limit.burst + timedelta(seconds=limit.seconds) // limit.interval - 1 < limit.most + 1


@pytest.mark.parametrize(
    ("waiting", "first"),
    [
        pytest.param([_waiting(1, 5, 60), _waiting(2, 2, 600)], 2, id="the-important-first"),
        pytest.param([_waiting(1, 3, 60), _waiting(2, 3, 30)], 2, id="then-the-nearest-deadline"),
        pytest.param([_waiting(1, 5, 0.5), _waiting(2, 2, 600)], 1, id="but-not-when-a-lesser-one-would-miss-it"),
        pytest.param([_waiting(1, 5, 0.5), _waiting(2, 2, 0.5)], 2, id="of-two-that-cant-both-the-important"),
        pytest.param([_waiting(1, 5, 0.5), _waiting(2, 1, 600)], 2, id="the-first-importance-yields-to-nobody"),
        pytest.param([_waiting(1, 5, 1.5), _waiting(2, 2, 600), _waiting(3, 2, 600)], 2, id="no-sooner-than-needed"),
    ],
)
def test_who_goes_now_when_one_may_go_a_minute(waiting: list[Waiting], first: int) -> None:
    assert [each.id for each in next_to_go(waiting, now=EIGHT, interval=MINUTE, count=1)] == [first]


_LOAD = st.lists(
    st.tuples(
        st.integers(min_value=1, max_value=9),
        st.integers(min_value=0, max_value=300),
        st.integers(min_value=1, max_value=240),
    ),
    min_size=1,
    max_size=60,
)


def _load(drawn: list[tuple[int, int, int]]) -> list[Waiting]:
    return [_waiting(at, importance, due + useful, due) for at, (importance, due, useful) in enumerate(drawn)]


@given(_LOAD, st.integers(min_value=1, max_value=20))
def test_each_message_is_foreseen_once_within_its_time_or_missed(drawn: list[tuple[int, int, int]], most: int) -> None:
    load, limits = _load(drawn), (Limit(most=most, seconds=3600),)
    foreseen = foresee(load, limits=limits)
    assert sorted([*foreseen.sent_at, *foreseen.missed]) == [each.id for each in load]
    for each in load:
        assert each.id in foreseen.missed or each.due_at <= foreseen.sent_at[each.id] <= each.useful_until
    moments = sorted(foreseen.sent_at.values())
    assert all(b - a >= longest_interval(limits) for a, b in pairwise(moments))


def _all_can_be_met(load: list[Waiting], interval: timedelta) -> bool:
    """Say whether earliest deadline first, which is best when all take the same time, meets every deadline.

    Jackson's rule, 1955; with different moments of release it holds for tasks of unit length that start on a common
    grid (from memory), so loads in the property below are due on that grid.
    """
    left, now = sorted(load, key=lambda each: each.due_at), EIGHT
    while left:
        due = [each for each in left if each.due_at <= now]
        if not due:
            now += interval
            continue
        chosen = min(due, key=lambda each: each.useful_until)
        if now > chosen.useful_until:
            return False
        left.remove(chosen)
        now += interval
    return True


@given(_LOAD)
def test_a_rush_due_at_once_misses_nothing_if_any_order_would_miss_nothing(drawn: list[tuple[int, int, int]]) -> None:
    load = [_waiting(at, max(2, importance), useful) for at, (importance, _, useful) in enumerate(drawn)]
    missed = foresee(load, limits=(ONE_A_MINUTE,)).missed
    assert (missed == ()) == _all_can_be_met(load, MINUTE)


@given(_LOAD)
def test_what_is_given_up_of_a_rush_is_as_little_important_as_can_be(drawn: list[tuple[int, int, int]]) -> None:
    """However many of the best kinds can be met when they are alone, as many are met beside all the others."""
    load = [_waiting(at, max(2, importance), useful) for at, (importance, _, useful) in enumerate(drawn)]
    missed = Counter(load[at].importance for at in foresee(load, limits=(ONE_A_MINUTE,)).missed)
    for level in range(2, 10):
        alone = foresee([each for each in load if each.importance <= level], limits=(ONE_A_MINUTE,))
        assert sum(missed[each] for each in range(2, level + 1)) == len(alone.missed)


def test_without_a_limit_everything_goes_when_it_is_due() -> None:
    load = [_waiting(1, 5, 9, 1), _waiting(2, 1, 3, 2)]
    assert foresee(load, limits=()).sent_at == {1: EIGHT + MINUTE, 2: EIGHT + 2 * MINUTE}
    assert foresee([], limits=(ONE_A_MINUTE,)).sent_at == {}
