"""Named points at which a test lets the process die as if the power failed. Without the variable they do nothing."""

from __future__ import annotations

import os
import signal

VARIABLE = "REMINDERS_FAILPOINT"
"""`NAME`, or `NAME:3` to die when the point is reached for the third time."""
POINTS = ("after-claim", "before-hand-over", "after-hand-over", "before-settle", "after-settle")

_NAME, _, _COUNT = os.environ.get(VARIABLE, "").partition(":")
_left = int(_COUNT or 1)


def reach(name: str) -> None:
    """Die without any clean-up when this is the point named by the variable."""
    if name == _NAME:
        _die_at_last()


def _die_at_last() -> None:
    global _left  # noqa: PLW0603  one process has one life to count down
    _left -= 1
    if _left <= 0:
        os.kill(os.getpid(), signal.SIGKILL)
