"""Every state of a message and every event that may change it. What is not in this table can't happen."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from reminders.errors import StateError
from reminders.sentences import english


class MessageState(StrEnum):
    """Where a message stands."""

    SCHEDULED = "scheduled"  # waits for its moment
    SENDING = "sending"  # claimed by a worker under a lease; it may be handed over at any instant
    SENT = "sent"  # the other side accepted it
    DELIVERED = "delivered"  # the other side says that the patient's device has it
    FAILED = "failed"  # refused, or not delivered in the end
    UNCERTAIN = "uncertain"  # handed over or not: nobody knows; what says to take medicine stays here
    WITHHELD = "withheld"  # not sent on purpose; the reasons say why
    CANCELLED = "cancelled"  # the course ended or its facts changed
    JOINED = "joined"  # said within another message, named by `joined_into`
    AT_CHECKOUT = "at_checkout"  # said at the desk and printed on the sheet


class MessageEvent(StrEnum):
    """What may happen to a message."""

    CLAIM = "claim"  # a worker takes it
    RELEASE = "release"  # nothing was handed over: it waits again
    ACCEPT = "accept"  # the other side took it
    REFUSE = "refuse"  # the other side will never take it
    DOUBT = "doubt"  # the worker died or the link broke during the hand-over
    RESEND = "resend"  # better twice than never: it waits again
    CONFIRM = "confirm"  # staff or a status query found that it did go out
    DELIVER = "deliver"  # a receipt says delivered
    BOUNCE = "bounce"  # a receipt says not delivered
    WITHHOLD = "withhold"  # the gate at the moment of sending says no
    CANCEL = "cancel"  # staff, consent or new facts take it back
    REVIVE = "revive"  # new facts plan it again
    JOIN = "join"  # new facts have it said within another message


TRANSITIONS: Mapping[tuple[MessageState, MessageEvent], MessageState] = MappingProxyType(
    {
        (MessageState.SCHEDULED, MessageEvent.CLAIM): MessageState.SENDING,
        (MessageState.SCHEDULED, MessageEvent.WITHHOLD): MessageState.WITHHELD,
        (MessageState.SCHEDULED, MessageEvent.CANCEL): MessageState.CANCELLED,
        # a receipt about an earlier try, of which nobody knew whether it went out
        (MessageState.SCHEDULED, MessageEvent.DELIVER): MessageState.DELIVERED,
        (MessageState.SENDING, MessageEvent.RELEASE): MessageState.SCHEDULED,
        (MessageState.SENDING, MessageEvent.ACCEPT): MessageState.SENT,
        (MessageState.SENDING, MessageEvent.REFUSE): MessageState.FAILED,
        (MessageState.SENDING, MessageEvent.DOUBT): MessageState.UNCERTAIN,
        (MessageState.SENDING, MessageEvent.WITHHOLD): MessageState.WITHHELD,
        (MessageState.UNCERTAIN, MessageEvent.RESEND): MessageState.SCHEDULED,
        (MessageState.UNCERTAIN, MessageEvent.CONFIRM): MessageState.SENT,
        (MessageState.UNCERTAIN, MessageEvent.DELIVER): MessageState.DELIVERED,
        (MessageState.UNCERTAIN, MessageEvent.BOUNCE): MessageState.FAILED,
        (MessageState.UNCERTAIN, MessageEvent.CANCEL): MessageState.CANCELLED,
        (MessageState.SENT, MessageEvent.DELIVER): MessageState.DELIVERED,
        (MessageState.SENT, MessageEvent.BOUNCE): MessageState.FAILED,
        (MessageState.FAILED, MessageEvent.DELIVER): MessageState.DELIVERED,
        (MessageState.WITHHELD, MessageEvent.REVIVE): MessageState.SCHEDULED,
        (MessageState.CANCELLED, MessageEvent.REVIVE): MessageState.SCHEDULED,
        (MessageState.CANCELLED, MessageEvent.WITHHOLD): MessageState.WITHHELD,
        (MessageState.JOINED, MessageEvent.REVIVE): MessageState.SCHEDULED,
        (MessageState.JOINED, MessageEvent.CANCEL): MessageState.CANCELLED,
        (MessageState.JOINED, MessageEvent.WITHHOLD): MessageState.WITHHELD,
        (MessageState.SCHEDULED, MessageEvent.JOIN): MessageState.JOINED,
        (MessageState.WITHHELD, MessageEvent.JOIN): MessageState.JOINED,
        (MessageState.CANCELLED, MessageEvent.JOIN): MessageState.JOINED,
    }
)

SPENT = frozenset(
    {
        MessageState.SENDING,
        MessageState.SENT,
        MessageState.DELIVERED,
        MessageState.FAILED,
        MessageState.UNCERTAIN,
        MessageState.AT_CHECKOUT,
    }
)
"""The patient was told, or may have been: the same instruction is never planned again."""


def next_state(state: MessageState, event: MessageEvent) -> MessageState:
    """Return the state after an event; raises StateError when the table does not allow it."""
    try:
        return TRANSITIONS[state, event]
    except KeyError:
        raise StateError(english("a message that is {state} can't {event}").format(state=state, event=event)) from None


def states_allowing(event: MessageEvent) -> tuple[MessageState, ...]:
    """Return the states in which an event may happen, for conditional updates."""
    return tuple(state for state, allowed in TRANSITIONS if allowed is event)
