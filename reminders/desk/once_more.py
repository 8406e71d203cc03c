"""The row of a message that says another one once more: for now, in the same words unless others are put over them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from reminders.care.values import Reason
from reminders.desk.message_rows import due_now, reasons_of
from reminders.records.tables import Message

_KEPT = (
    *("practice_id", "patient_id", "enrollment_id", "kind", "occurrence", "text_name", "channel", "address"),
    *("language", "useful_until", "required", "importance", "in_doubt", "asks", "subject", "text", "markdown"),
    *("encoding", "segments"),
)


def once_more(message: Message, *, key: str, now: datetime, reason: Reason) -> dict[str, Any]:
    """Return the columns of a message that says the same, due at `now`, under a key of its own."""
    kept = {name: getattr(message, name) for name in _KEPT}
    return {**kept, **due_now(now), "key": key, "reasons": reasons_of((reason,))}
