"""Named points at which a test lets the process die as if the power failed. Without the variable they do nothing."""

from __future__ import annotations

import os
import signal

VARIABLE = "REMINDERS_FAILPOINT"
"""`NAME`, or `NAME:3` to die when the point is reached for the third time. Read once, when the program starts."""
OF_DISPATCH = (
    "before-claim",
    "in-claim",  # written and not committed
    "after-claim",
    "before-hand-over",
    "in-hand-over",  # between two messages of a batch
    "after-hand-over",
    "before-settle",  # written and not committed
    "after-settle",
)
OF_RECOVERY = ("in-recovery", "after-recovery")
OF_INTAKE = (
    "before-intake",
    "in-receipt",  # written and not committed, as the next
    "in-reply",
    "after-intake",  # committed, and the other side was not told so
)
POINTS = (*OF_DISPATCH, *OF_RECOVERY, *OF_INTAKE)
"""Where a worker may die; the programming interface has one more, `after-call`: committed, and the program not told."""

_armed = ""
_left = 0


def arm(spec: str) -> None:
    """Let this process die at a point; nowhere when `spec` is empty."""
    global _armed, _left
    name, _, count = spec.partition(":")
    _armed, _left = name, int(count or 1)


def reach(name: str) -> None:
    """Die without any clean-up when it is this point's turn."""
    global _left  # noqa: PLW0603  one process has one life to count down
    if name == _armed:
        _left -= 1
        if _left <= 0:
            os.kill(os.getpid(), signal.SIGKILL)


arm(os.environ.get(VARIABLE, ""))
