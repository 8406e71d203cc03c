"""How long we wait for a side that says that we are too fast."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from reminders.delivery.transports import slowing
from reminders.delivery.transports.slowing import Slowdown


@pytest.mark.parametrize(
    ("wanted", "seconds"),
    [
        (None, slowing.FIRST_PAUSE_SECONDS),
        (120.0, 120.0),
        (86_400.0, slowing.LONGEST_WANTED_SECONDS),
        (float("inf"), slowing.LONGEST_WANTED_SECONDS),
    ],
)
def test_a_pause_is_kept_as_wanted_but_no_whole_day(
    monkeypatch: pytest.MonkeyPatch, wanted: float | None, seconds: float
) -> None:
    clock = SimpleNamespace(seconds=0.0, sleep=lambda _: None)
    clock.monotonic = lambda: clock.seconds
    monkeypatch.setattr(slowing, "time", clock)
    slowdown = Slowdown()
    slowdown.complained(wanted)
    clock.seconds = seconds - slowing.PATIENCE_SECONDS - 0.1
    assert slowdown.wait() is False
    clock.seconds = seconds
    assert slowdown.wait() is True
