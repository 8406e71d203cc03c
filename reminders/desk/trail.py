"""What staff and other programs looked at and did, noted in one place."""

from __future__ import annotations

import logging

_LOG = logging.getLogger(__name__)


def leave_trail(
    *, action: str, patient_id: int | None, about: str = "", staff_id: int | None = None, key_id: int | None = None
) -> None:
    """Note that somebody did `action`, such as `course.see`, about a patient; None where no patient is concerned.

    Who did it is a person of the staff, or another program by its key. `about` names the thing: `concern 3`. Ids only,
    never names.
    """
    who = {"staff": staff_id} if key_id is None else {"key": key_id}
    event = "staff_action" if key_id is None else "program_action"
    _LOG.info(event, extra={**who, "action": action, "patient": patient_id, "about": about})
