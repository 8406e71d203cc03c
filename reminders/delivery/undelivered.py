"""Tells staff once about a message that was handed over and did not arrive in the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from reminders.clock import Clock
from reminders.delivery.bad_address import BadContact, stop_sending_to
from reminders.delivery.outgoing import OtherWay, no_other_way
from reminders.delivery.receipts import Failure
from reminders.records.concerns_once import open_once, trouble_of
from reminders.records.receipts import message_row
from reminders.records.tables import Message
from reminders.sentences import english
from reminders.words import marked


@dataclass(frozen=True, kw_only=True)
class Undelivered:
    """What has to happen then; within the transaction that notes the failure."""

    clock: Clock
    concern_due: Callable[[str, datetime], datetime]
    """When a concern of an urgency, opened at an instant, has to be dealt with."""
    other_way: OtherWay = no_other_way

    def tell_staff(self, session: Session, failure: Failure) -> None:
        """Send nothing more to an address that does not work; say the message by another channel, or tell staff."""
        message = message_row(session, failure.message_id)
        if message is None:
            return
        told = failure.bad_address and self._stop_sending(session, message, failure)
        if self.other_way(session, failure.message_id, surely=failure.surely) or told:
            return
        if not (message.required or failure.bad_address):
            return
        urgency = "urgent" if message.kind == "staff" or message.in_doubt == "hold" else "routine"
        summary = english("{key} did not arrive: {why}.").format(key=message.key, why=failure.detail)
        if failure.bad_address:
            summary = english("{key} did not arrive, the address does not work: {why}.").format(
                key=message.key, why=failure.detail
            )
        now = self.clock.now()
        trouble = trouble_of(message, urgency, summary, now=now, due_at=self.concern_due(urgency, now))
        open_once(session, trouble, by=marked("delivery"))

    def _stop_sending(self, session: Session, message: Message, failure: Failure) -> bool:
        """Stop everything to the address of a patient's message; True when staff are told of that instead."""
        bad = BadContact(
            practice_id=message.practice_id,
            channel=message.channel,
            address=message.address,
            detail=failure.detail,
        )
        stopped = stop_sending_to(session, bad, now=self.clock.now(), concern_due=self.concern_due)
        return stopped > 0 and message.in_doubt != "hold"
