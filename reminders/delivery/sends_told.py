"""Tells the audit trail what became of messages: one entry a batch, so that many messages cost no more than a few."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from reminders.delivery.outgoing import Accepted
from reminders.delivery.settle import NotTaken, Outcome
from reminders.errors import InDoubt, Refused
from reminders.records.audit import RECEIPT, SEND, Noted, note, proof_key
from reminders.records.outbox import DueMessage
from reminders.records.row_proofs import PROVES, proofs_of_sent, to_prove

_FATES: tuple[tuple[type, str], ...] = (
    (Refused, "refused"),
    (InDoubt, "in_doubt"),
    (NotTaken, "not_begun"),
)


def note_settled(session: Session, practice_id: str, outcomes: Sequence[Outcome], at: datetime) -> None:
    """Have an entry say how the hand-overs of a batch ended, message by message."""
    fates: dict[str, Any] = {}
    if accepted := [each.message for each in outcomes if type(each.result) is Accepted]:
        fates["accepted"] = [each.id for each in accepted]
        in_hand = [each for each in accepted if type(each) is DueMessage]
        fates[PROVES] = proofs_of_sent(proof_key(session), in_hand)
        if len(in_hand) < len(accepted):
            to_prove(session, "message", (each.id for each in accepted if type(each) is not DueMessage))
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


def note_receipts(
    session: Session, practice_id: str, arrived_and_failed: tuple[Sequence[int], Sequence[int]], at: datetime
) -> None:
    """Have an entry say of which messages it is known by now that they arrived, and of which that they did not."""
    names = ("delivered", "failed")
    details = {name: list(ids) for name, ids in zip(names, arrived_and_failed, strict=True) if ids}
    if details:
        note(session, Noted(practice_id=practice_id, at=at, action=RECEIPT, details=details))


def _fate(outcome: Outcome) -> str:
    return next((name for kind, name in _FATES if isinstance(outcome.result, kind)), "put_off")
