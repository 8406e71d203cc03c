"""A sample of `python -m tests.crashes`: every named step twice, with another one at the same time."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from reminders.delivery import failpoints
from tests.crashes.__main__ import MEMORY
from tests.crashes.matrix import PAIRS, Matrix

COUNT = len(failpoints.POINTS)
SAMPLE = [(one, failpoints.POINTS[(5 * at + 3) % COUNT]) for at, one in enumerate(failpoints.POINTS)]


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="reminders-crashes-", dir=MEMORY) as name:
        yield Path(name)


def test_the_sample_holds_every_step_for_both_workers() -> None:
    assert {one for one, _ in SAMPLE} == {other for _, other in SAMPLE} == set(failpoints.POINTS)
    assert len(PAIRS) == COUNT**2


@pytest.mark.parametrize("forgetful", [False, True], ids=["asks", "cannot-ask"])
def test_two_workers_killed_at_any_two_steps_lose_nothing_and_tell_no_dose_twice(
    database_url: str, folder: Path, forgetful: bool
) -> None:
    matrix = Matrix(database_url, folder, forgetful)
    matrix.begin()
    for pair in SAMPLE[forgetful::2]:
        matrix.run(pair)
    figures = matrix.check()
    assert figures["kills"] >= COUNT - 4  # a worker that comes late finds nothing left to recover or to claim
