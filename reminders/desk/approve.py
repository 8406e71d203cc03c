"""A licensed clinician approves a plan's exact content; any later change makes it unapproved again."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_name
from reminders.desk.new_procedure import unfinished
from reminders.desk.pinned_plans import keep_plan
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError, PlanError
from reminders.records import courses, plan_contents
from reminders.records.tables import Approval
from reminders.words import gettext, marked


@dataclass(frozen=True, kw_only=True)
class Approver:
    """Who approves: name and licence as they stand on the register."""

    name: str
    license: str

    @classmethod
    def read(cls, name: str, license: str) -> Approver:  # noqa: A002  what it is called
        """Read what was typed; raises InputError for a blank one or one that can't be shown."""
        read = cls(
            name=parse_name(name, what=marked("clinician's name")), license=parse_name(license, what=marked("licence"))
        )
        if not read.name or not read.license:
            raise InputError(gettext("an approval needs the clinician's name and licence"))
        return read


def approve(session: Session, desk: Desk, procedure: str, approver: Approver) -> Approval:
    """Record the approval of a plan as it is now.

    Raises PlanError when it is faulty or something in it is still to be written.
    """
    ready = desk.library.get(procedure)
    if open_ends := unfinished(ready.plan):
        raise PlanError(open_ends)
    approval = Approval(
        practice_id=desk.practice_id,
        procedure=procedure,
        plan_version=ready.plan.file.version,
        content_hash=ready.content_hash,
        approved_by=approver.name,
        license=approver.license,
        at=desk.clock.now(),
    )
    keep_plan(session, desk, ready)
    courses.add_approval(session, approval)
    note_change(session, desk, Action.PLAN_APPROVE, (None, f"plan {procedure} {ready.content_hash[:12]}"))
    return approval


def files_last_approved(session: Session, desk: Desk, procedure: str) -> dict[str, str] | None:
    """Return the files of a plan as they were last approved, by path; None when they never were."""
    for approval in courses.approvals(session, desk.practice_id, procedure):
        content = plan_contents.content_of(session, approval.content_hash)
        if content is not None:
            return content.files
    return None


def approvals_of(session: Session, desk: Desk, procedure: str) -> list[Approval]:
    """Return every approval of a procedure's plan, the newest first."""
    return courses.approvals(session, desk.practice_id, procedure)


def last_approvals(session: Session, desk: Desk) -> dict[str, Approval]:
    """Return the last approval of each procedure's plan, by procedure; of none that nobody approved."""
    return courses.last_approvals(session, desk.practice_id)
