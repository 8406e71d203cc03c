"""Takes the calls of a gateway: believes them, reads them, and stores what they bring before they are answered."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from reminders.clock import Clock
from reminders.config_hooks import ReceiptHookSection, ReplyHookSection
from reminders.delivery.gathering import Gatherer
from reminders.delivery.hook_reading import read_receipts, read_replies
from reminders.delivery.hooks import HookCall, HookGuard, NotReadable, signed_part, verify
from reminders.delivery.incoming import Incoming, IncomingReply, Receipt
from reminders.errors import NotFound
from reminders.sentences import english

if TYPE_CHECKING:
    from reminders.delivery.intake import Intake
    from reminders.delivery.tell_staff import TellStaff

_LOG = logging.getLogger(__name__)
_REPLIES_LOST = english(
    "The SMS gateway brings replies that can't be read: patients' words do not get here. "
    "Read them at the gateway, and mend [delivery.http.reply_hook] in the configuration."
)


@dataclass(frozen=True, kw_only=True)
class HookCalls:
    """What one gateway may call; safe to use from any thread."""

    guard: HookGuard
    reply_hook: ReplyHookSection | None
    receipt_hook: ReceiptHookSection | None
    region: str
    intake: Callable[[], Intake]
    """Gives what stores; it opens the database, which a call that is not believed is not worth."""
    tell_staff: TellStaff
    clock: Clock

    def take_reply(self, call: HookCall) -> None:
        """Store the replies that a call brings, and act on them; one that was brought before changes nothing.

        NotFound when no reply is awaited here, NotBelieved, NotReadable. Staff hear once of replies that can't be read.
        """
        if self.reply_hook is None:
            raise NotFound("no [delivery.http.reply_hook]")
        self._take(call, replies=self.reply_hook, receipts=self.receipt_hook if self._takes_both else None)

    def take_receipt(self, call: HookCall) -> None:
        """Store what a call says about a message of ours; NotFound, NotBelieved, NotReadable."""
        if self.receipt_hook is None:
            raise NotFound("no [delivery.http.receipt_hook]")
        self._take(call, replies=self.reply_hook if self._takes_both else None, receipts=self.receipt_hook)

    @property
    def _takes_both(self) -> bool:
        """Whether calls show what they are about, so that either address may take all of them."""
        hooks = (self.reply_hook, self.receipt_hook)
        return all(hook is not None and hook.only for hook in hooks)

    def _take(self, call: HookCall, *, replies: ReplyHookSection | None, receipts: ReceiptHookSection | None) -> None:
        verify(self.guard, call, now=self.clock.now())
        brought: list[Incoming] = []
        if replies is not None:
            brought += self._replies(replies, call)
        if receipts is not None:
            brought += self._receipts(receipts, call)
        self._gatherer.take_in(brought)

    def _replies(self, hook: ReplyHookSection, call: HookCall) -> list[IncomingReply]:
        try:
            read = read_replies(hook, call, region=self.region)
        except NotReadable as error:
            self._tell_of_lost(str(error))
            raise
        if read.faults:
            self._tell_of_lost(read.faults[0])
        return [self._named(reply, call, number) for number, reply in enumerate(read.found)]

    def _receipts(self, hook: ReceiptHookSection, call: HookCall) -> tuple[Receipt, ...]:
        try:
            read = read_receipts(hook, call)
        except NotReadable as error:
            _LOG.error("gateway_receipt_not_read", extra={"reason": str(error)})
            raise
        for fault in read.faults:
            _LOG.error("gateway_receipt_not_read", extra={"reason": fault})
        return read.found

    def _tell_of_lost(self, reason: str) -> None:
        _LOG.error("gateway_reply_not_read", extra={"reason": reason})
        self.tell_staff("gateway replies", urgency="urgent", summary=_REPLIES_LOST)

    @cached_property
    def _gatherer(self) -> Gatherer:
        return Gatherer(self.intake().take_in_apart)

    def _named(self, reply: IncomingReply, call: HookCall, number: int) -> IncomingReply:
        """Return the reply with a name by which it is known again when the very same call comes twice.

        A gateway that names its messages says it itself; without that, a signed call is named by what was signed, the
        time stamp in it. An unsigned one can't be told from a patient who wrote the same words again.
        """
        if reply.gateway_ref is not None or not self.guard.secrets:
            return reply
        name = f"call-{hashlib.sha256(signed_part(self.guard, call)).hexdigest()}"
        return replace(reply, gateway_ref=f"{name}-{number}" if number else name)
