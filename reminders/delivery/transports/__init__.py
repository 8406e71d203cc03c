"""What a transport is, and the list of those there are."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Protocol

from reminders.delivery.outgoing import Capabilities, LookUp, Outgoing, Result


class Transport(Protocol):
    """A way out for messages. Used by one thread at a time."""

    @property
    def name(self) -> str:
        """How the configuration and the records call it."""

    @property
    def capabilities(self) -> Capabilities:
        """What it can do."""

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        """Take messages from `batch` and give one result for each taken, in the same order.

        A message may only be taken when it is about to be handed over: one that was taken and has no result, as
        the link broke or an error was raised, is in doubt. One that was not taken surely stayed here.
        """

    def look_up(self, keys: Collection[str]) -> LookUp:
        """Tell which of these idempotency keys went out; an empty answer when it never can tell.

        TransportError when it can't be asked now.
        """

    def close(self) -> None:
        """Give back what it holds open."""


TRANSPORTS = {
    "file": "reminders.delivery.transports.file:FileTransport",
    "smtp": "reminders.delivery.transports.smtp:SmtpTransport",
    "smpp": "reminders.delivery.transports.smpp:SmppTransport",
    "http": "reminders.delivery.transports.http:HttpTransport",
}
"""Name in the configuration → module and class; a module is loaded only when it is used."""
