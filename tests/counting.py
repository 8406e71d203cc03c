"""How much work something is, counted in calls: the same on every machine, however busy it is."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType


def calls_of(work: Callable[..., object], *given: object) -> int:
    """How many functions are called by `work(*given)`, those in C among them; what one of these does is not seen."""
    count = 0

    def counted(_frame: FrameType, event: str, _argument: object) -> None:
        nonlocal count
        count += event in {"call", "c_call"}

    before = sys.getprofile()
    sys.setprofile(counted)
    try:
        work(*given)
    finally:
        sys.setprofile(before)
    return count
