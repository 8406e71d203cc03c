"""Cancel a course: what still waits is not sent or asked, and the patient's other courses are planned anew."""

from __future__ import annotations

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.replan import active_enrollment, refresh_others
from reminders.desk.trail import Action, note_change
from reminders.records import courses
from reminders.records.staff_tasks import cancel_tasks
from reminders.sentences import english


def cancel_course(session: Session, desk: Desk, enrollment_id: int, *, by: str, reason: str) -> int:
    """Cancel a course and its tasks for staff; returns how many messages are not sent.

    Raises NotFound, and StateError when it does not run.
    """
    enrollment = active_enrollment(session, enrollment_id)
    courses.set_enrollment(session, enrollment_id, state="cancelled", ended_at=desk.clock.now())
    detail = english("the course was cancelled by {name}").format(name=by) + (f": {reason}" if reason else "")
    count = courses.cancel_waiting(session, enrollment_id, detail=detail)
    cancel_tasks(session, enrollment_id)
    refresh_others(session, desk, enrollment.patient_id, beside=enrollment_id)
    about = f"enrollment {enrollment_id}"
    note_change(session, desk, Action.COURSE_CANCEL, (enrollment.patient_id, about))
    return count
