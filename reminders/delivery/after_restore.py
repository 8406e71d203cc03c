"""Settles what may have been sent after a copy of the database was taken: asked where it can be, else left to staff."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

from sqlalchemy.orm import Session

from reminders.delivery.outgoing import LookUp
from reminders.delivery.transports import Transport
from reminders.errors import TransportError
from reminders.records.concerns_once import Trouble, open_once
from reminders.records.database import Database
from reminders.records.message_changes import Held, accept, change
from reminders.records.message_states import MessageEvent
from reminders.records.outbox import Claim, claim
from reminders.records.restoring import Unsure, unsure_messages
from reminders.records.tables import MESSAGES
from reminders.sentences import english
from reminders.words import marked

_AT_ONCE = 500
_BY = marked("restore")


@dataclass(frozen=True, kw_only=True)
class Gap:
    """The time that the copy knows nothing of."""

    taken_at: datetime
    """When the copy was taken."""
    ran_until: datetime
    """Until when the lost database may have been sent from."""
    now: datetime


@dataclass(frozen=True, kw_only=True)
class WaysOut:
    """The transports of the practice that restores; those of others on the same database can't be asked here."""

    practice_id: str
    transports: Mapping[str, Transport]
    """By channel."""

    def name_of(self, practice_id: str, channel: str) -> str:
        """Return the transport by which a practice's messages went."""
        known = practice_id == self.practice_id and channel in self.transports
        return self.transports[channel].name if known else "unknown"


@dataclass(kw_only=True)
class GapReport:
    """How many messages came due in the gap, by what was found."""

    went_out: int = 0
    """The transport says so."""
    stayed: int = 0
    """The transport never got them: they go out as planned, or are withheld as too late."""
    uncertain: int = 0
    """Nobody can tell: they are not sent, and staff see them."""


def settle_gap(
    database: Database, ways: WaysOut, gap: Gap, *, concern_due: Callable[[str, datetime], datetime]
) -> GapReport:
    """Settle every message that was in hand or came due by `gap.ran_until`; staff of each practice get one concern.

    After a crash a warning in doubt is sent again, as one message is in doubt then. Here every message of hours is, and
    most of them did go out: none is sent again by itself, whatever its instruction says.
    """
    installation = database.installation_name()
    report = GapReport()
    doubts: dict[str, int] = {}
    with database.writing() as session:
        for batch in _batches(unsure_messages(session, due_by=gap.ran_until)):
            known = _asked(batch, ways, installation)
            for practice_id, found in groupby(batch, key=lambda each: each.practice_id):
                mine = _settle(session, tuple(found), known, ways, gap)
                report.went_out += mine.went_out
                report.stayed += mine.stayed
                report.uncertain += mine.uncertain
                doubts[practice_id] = doubts.get(practice_id, 0) + mine.uncertain
        for practice_id, count in doubts.items():
            _tell(session, practice_id, count, gap, concern_due("urgent", gap.now))
    return report


def _batches(messages: Sequence[Unsure]) -> Iterator[Sequence[Unsure]]:
    for at in range(0, len(messages), _AT_ONCE):
        yield messages[at : at + _AT_ONCE]


def _asked(batch: Sequence[Unsure], ways: WaysOut, installation: str) -> dict[int, str | None]:
    """Return what the transports know: id → reference when it went out, None when it surely did not."""
    known: dict[int, str | None] = {}
    mine = [each for each in batch if each.practice_id == ways.practice_id]
    for channel, transport in ways.transports.items():
        ids = {f"{installation}-{each.id}": each.id for each in mine if each.channel == channel}
        try:
            found = transport.look_up(list(ids)) if ids else LookUp()
        except TransportError:
            continue  # it can't be asked now: then nobody can tell
        known |= {ids[key]: ref for key, ref in found.went_out.items()}
        known |= {ids[key]: None for key in found.absent}
    return known


def _settle(
    session: Session, batch: Sequence[Unsure], known: Mapping[int, str | None], ways: WaysOut, gap: Gap
) -> GapReport:
    """Let happen to messages of one practice what a worker would have written down, by the same events."""
    token, practice_id = uuid.uuid4().hex, batch[0].practice_id
    for channel in sorted({each.channel for each in batch}):
        ids = [
            each.id
            for each in batch
            if each.channel == channel and each.claim_token is None and known.get(each.id, "") is not None
        ]
        by = Claim(
            token=token,
            practice_id=practice_id,
            now=gap.taken_at,
            lease=timedelta(0),
            transport=ways.name_of(practice_id, channel),
        )
        claim(session, ids, by)
    tokens = {each.id: each.claim_token or token for each in batch}
    sent = [(Held(id=each.id, token=tokens[each.id]), ref) for each in batch if (ref := known.get(each.id))]
    accept(session, practice_id, sent, gap.now)
    stayed = [each for each in batch if each.id in known and known[each.id] is None]
    released = [each.id for each in stayed if each.claim_token is not None]
    change(session, MessageEvent.RELEASE, MESSAGES.c.id.in_(released))
    doubtful = [each.id for each in batch if each.id not in known]
    detail = english(
        "the database was restored from a copy of {copied:%Y-%m-%d %H:%M} UTC; it may have gone out since"
    ).format(copied=gap.taken_at)
    change(session, MessageEvent.DOUBT, MESSAGES.c.id.in_(doubtful), detail=detail, settled_at=gap.now)
    return GapReport(went_out=len(sent), stayed=len(stayed), uncertain=len(doubtful))


def _tell(session: Session, practice_id: str, count: int, gap: Gap, due_at: datetime) -> None:
    lost = english("{begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC").format(begin=gap.taken_at, end=gap.ran_until)
    open_once(
        session,
        Trouble(
            practice_id=practice_id,
            patient_id=None,
            enrollment_id=None,
            kind="delivery",
            about=f"restored from a copy of {gap.taken_at:%Y-%m-%d %H:%M}",
            urgency="urgent",
            summary=(
                english(
                    "The database was restored from a copy. Lost are {lost}: enrollments, replies, requests to stop. "
                    "{count} messages may or may not have gone out then and are not sent again: `reminders messages "
                    "--state uncertain`. Read what patients wrote at the gateway or in the mailbox."
                ).format(lost=lost, count=count)
            ),
            opened_at=gap.now,
            due_at=due_at,
        ),
        by=_BY,
    )
