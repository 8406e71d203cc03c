"""What staff looked at and did, noted in one place."""

from __future__ import annotations

import logging

_LOG = logging.getLogger(__name__)


def leave_trail(*, staff_id: int, action: str, patient_id: int | None, about: str = "") -> None:
    """Note that somebody did `action`, such as `course.see`, about a patient; None where no patient is concerned.

    `about` names the thing: `concern 3`. Ids only, never names.
    """
    extra = {"staff": staff_id, "action": action, "patient": patient_id, "about": about}
    _LOG.info("staff_action", extra=extra)
