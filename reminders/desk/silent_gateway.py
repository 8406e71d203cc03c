"""Tells staff once when a gateway that used to tell what arrives tells of no message any more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.done_once import is_first_time
from reminders.records.heartbeats import RECEIPTS, beat, last_beat
from reminders.records.other_ways import patients_without_word
from reminders.sentences import english

PATIENTS = 10
"""A few telephones may be switched off at once; so many with no receipt in between are the gateway's silence."""


@dataclass(frozen=True, kw_only=True)
class Silence:
    """Whether a gateway is silent now."""

    lasts: bool
    told: bool = False
    """Whether staff were told of it just now."""


def attend_to_silence(session: Session, desk: Desk, transports: Sequence[str], *, before: datetime) -> Silence:
    """Look whether the gateway told anything since it took the messages of many patients; tell staff once if not.

    Within the caller's transaction. Messages taken after `before` may still be told of.
    """
    now, practice_id = desk.clock.now(), desk.practice_id
    since = last_beat(session, practice_id, RECEIPTS)
    if since is None:  # it is listened to from now on
        beat(session, practice_id, RECEIPTS, now)
        return Silence(lasts=False)
    found = patients_without_word(session, practice_id, transports, since=since, before=before)
    if found < PATIENTS:
        return Silence(lasts=False)
    if not is_first_time(session, practice_id, f"silence since {since.isoformat()}", now):
        return Silence(lasts=True)
    trouble = Trouble(
        practice_id=practice_id,
        patient_id=None,
        enrollment_id=None,
        kind="delivery",
        about="no receipts",
        urgency="urgent",
        summary=english(
            "The SMS gateway took messages to {count} patients and tells of none whether it arrived. Look at the "
            "gateway whether they do, and whether its receipts reach this program; of single messages nobody is told."
        ).format(count=found),
        opened_at=now,
        due_at=desk.due.due_at("urgent", now, desk.opening),
    )
    return Silence(lasts=True, told=open_once(session, trouble, by="delivery") is not None)
