"""Gives e-mails the visit that they put into the patient's calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy.orm import Session

from reminders.delivery.outgoing import VisitToTell
from reminders.records.outbox import DueMessage
from reminders.records.visits import VisitState, visits_to_tell


def visits_told(session: Session, messages: Sequence[DueMessage], installation: str) -> Mapping[int, VisitToTell]:
    """Return by message id the visit that a claimed message tells; only e-mails carry one.

    `installation` is the database's name: a visit is named by it, as another database has a course 17 as well.
    """
    mails = {each.id: each for each in messages if each.channel == "email"}
    pairs = [(each.id, each.enrollment_id) for each in mails.values() if each.enrollment_id is not None]
    return {
        message_id: visit_to_tell(visit, installation, mails[message_id].zone or "UTC")
        for message_id, visit in visits_to_tell(session, pairs).items()
    }


def visit_to_tell(visit: VisitState, installation: str, zone: str) -> VisitToTell:
    """Return a visit under the name that every calendar knows it by, whatever way it is told."""
    return VisitToTell(
        name=f"visit-{installation}-{visit.enrollment_id}",
        starts_at=visit.starts_at,
        sequence=visit.sequence,
        changed_at=visit.changed_at,
        is_cancelled=visit.is_cancelled,
        zone=zone,
    )
