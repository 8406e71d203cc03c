"""Builds the transports that the configuration names, and the letterheads of mails; loads only what is used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, TypeVar

from reminders.clock import Clock
from reminders.config import Config
from reminders.errors import ConfigError
from reminders.sentences import english
from reminders.wording.links import unsubscribe_url

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from reminders.delivery.incoming import Incoming
    from reminders.delivery.intake import Intake
    from reminders.delivery.transports import Transport
    from reminders.delivery.transports.letter import Letterhead

Section = TypeVar("Section")


@dataclass(frozen=True, kw_only=True)
class TransportParts:
    """What transports are made of."""

    config: Config
    clock: Clock
    letterheads: Mapping[str, Letterhead]
    """By practice."""
    intake: Callable[[], Intake]
    """Asked only when something came, as it opens the database."""

    def open(self, name: str) -> Transport:
        """Return a transport by its name, open; raises ConfigError when it can't be opened."""
        return {"file": self._file, "smtp": self._smtp, "smpp": self._smpp, "http": self._http}[name]()

    def _file(self) -> Transport:
        from reminders.delivery.transports.file import FileTransport  # noqa: PLC0415  only what is used is loaded

        return FileTransport(self.config.outbox_folder, now=self.clock.now, letterheads=self.letterheads)

    def _smtp(self) -> Transport:
        from reminders.delivery.transports.smtp import SmtpTransport  # noqa: PLC0415  as above

        section = _needed(self.config.delivery.smtp, "smtp")
        return SmtpTransport(section, folder=self.config.folder, now=self.clock.now, letterheads=self.letterheads)

    def _smpp(self) -> Transport:
        from reminders.delivery.transports.smpp import SmppTransport  # noqa: PLC0415  as above

        return SmppTransport(
            _needed(self.config.delivery.smpp, "smpp"),
            folder=self.config.folder,
            region=self.config.practice.region,
            take_in=self._take_in,
            heard=self._note_heard,
        )

    def _http(self) -> Transport:
        from reminders.delivery.transports.http import HttpTransport  # noqa: PLC0415  as above

        section = _needed(self.config.delivery.http, "http")
        return HttpTransport(section, folder=self.config.folder, now=self.clock.now)

    def _take_in(self, incoming: Sequence[Incoming]) -> None:
        self.intake().take_in(incoming)

    def _note_heard(self, incoming: Sequence[Incoming]) -> None:
        self.intake().note_heard(incoming)


def letterheads_of(config: Config, *, link_key: Callable[[], bytes]) -> dict[str, Letterhead]:
    """Return what the e-mails of each practice have in common; none while it has no address to send from.

    `link_key` is asked only when a link is written, as it stands in the database.
    """
    from reminders.delivery.transports.letter import Letterhead  # noqa: PLC0415  as above

    practice, mailbox = config.practice, config.mailbox
    if not practice.email:
        return {}
    head = Letterhead(
        sender=practice.email,
        reply_to=mailbox.reply_to(practice.email) if mailbox else "",
        practice_name=practice.name,
        unsubscribe_url=lambda message_id: unsubscribe_url(config.web.base, link_key(), message_id),
        visit_length=timedelta(minutes=practice.visit_minutes),
    )
    return {practice.id: head}


def _needed(section: Section | None, name: str) -> Section:
    if section is None:
        raise ConfigError(english("the section [delivery.{name}] is missing").format(name=name))
    return section
