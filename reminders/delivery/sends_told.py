"""Tells the audit trail what became of messages: one entry a batch, so that many messages cost no more than a few."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.delivery.outgoing import Accepted
from reminders.delivery.settle import NotTaken, Outcome
from reminders.errors import InDoubt, Refused
from reminders.records.audit import SEND, Noted, note

_FATES: tuple[tuple[type, str], ...] = (
    (Refused, "refused"),
    (InDoubt, "in_doubt"),
    (NotTaken, "not_begun"),
)


def note_settled(session: Session, practice_id: str, outcomes: Sequence[Outcome], at: datetime) -> None:
    """Have an entry say how the hand-overs of a batch ended, message by message."""
    fates: dict[str, list[int]] = {}
    if accepted := [each.message.id for each in outcomes if type(each.result) is Accepted]:
        fates["accepted"] = accepted
    if len(accepted) < len(outcomes):
        for each in outcomes:
            if type(each.result) is not Accepted:
                fates.setdefault(_fate(each), []).append(each.message.id)
    if fates:
        note(session, Noted(practice_id=practice_id, at=at, action=SEND, details=fates))


def note_withheld(session: Session, practice_id: str, message_ids: Iterable[int], at: datetime) -> None:
    """Have an entry say which messages were not sent on purpose."""
    if ids := list(message_ids):
        note(session, Noted(practice_id=practice_id, at=at, action=SEND, details={"withheld": ids}))


def _fate(outcome: Outcome) -> str:
    return next((name for kind, name in _FATES if isinstance(outcome.result, kind)), "put_off")
