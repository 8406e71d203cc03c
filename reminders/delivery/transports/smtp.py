"""Hands e-mail over to a mail server; one connection serves many messages."""

from __future__ import annotations

import smtplib
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import datetime
from email.utils import parseaddr
from pathlib import Path
from typing import NoReturn

from reminders.config_delivery import SmtpSection
from reminders.delivery.outgoing import Accepted, Capabilities, LookUp, Outgoing, Result
from reminders.delivery.tls import client_context
from reminders.delivery.transports.letter import Letter, Letterhead, letter
from reminders.delivery.transports.slowing import Slowdown
from reminders.delivery.transports.smtp_answers import is_complaint, judge
from reminders.delivery.transports.smtp_envelope import GO_ON, ask_to_take
from reminders.errors import Away, InDoubt, Refused, Unreachable
from reminders.sentences import english

_PORTS = {"starttls": 587, "tls": 465, "none-on-loopback": 25}
_ASKS_AFTER_SECONDS = 15.0
"""A connection that lay idle for longer is asked whether it still lives."""


class SmtpTransport:
    """Talks to one server (RFC 5321). What broke before the message's last dot stayed here; after it, nobody knows."""

    name = "smtp"
    capabilities = Capabilities(
        channels=frozenset({"email"}), batch_size=10, receipts=False, idempotency_key=False, status_query=False
    )

    def __init__(
        self,
        section: SmtpSection,
        *,
        folder: Path,
        now: Callable[[], datetime],
        letterheads: Mapping[str, Letterhead],
    ) -> None:
        """Prepare; `letterheads` are the practices' by id, `folder` is what relative paths count from."""
        self._section = section
        self._now = now
        self._letterheads = letterheads
        self._password = section.password.read(folder) if section.password else ""
        self._bounces_go_to = parseaddr(section.envelope_sender)[1]
        self._tls = (
            client_context(section.ca_file, folder, setting="delivery.smtp.ca_file")
            if section.tls != "none-on-loopback"
            else None
        )
        self._slowdown = Slowdown()
        self._link: smtplib.SMTP | None = None
        self._used = 0
        self._idle_since = 0.0

    def hand_over(self, batch: Iterable[Outgoing]) -> Iterator[Result]:
        """Send each message and give the server's verdict."""
        if not self._slowdown.wait():
            return
        away: Away | None = None
        for message in batch:
            result = away or self._send(message)
            # To knock ten times at a server that does not answer would take longer than the claim lasts.
            away = result if isinstance(result, Away) else None
            yield result
            if not self._slowdown.wait():
                return

    def look_up(self, keys: Collection[str]) -> LookUp:  # noqa: ARG002  a mail server can't be asked
        """Tell nothing: a mail server keeps no list."""
        return LookUp()

    def close(self) -> None:
        """Take leave of the server."""
        link, self._link = self._link, None
        if link is not None:
            try:
                link.quit()
            except (smtplib.SMTPException, OSError):
                link.close()

    def _send(self, message: Outgoing) -> Result:
        try:
            mail = letter(message, self._letterheads, self._now())
            # A server may end an idle connection at any moment; before the content that costs nothing but a new one.
            for last_try in (False, True):
                link = self._open()
                if self._envelope(link, mail, last_try=last_try):
                    break
            return self._content(link, mail, message.idempotency_key)
        except (Refused, Unreachable, InDoubt) as error:
            return error

    def _envelope(self, link: smtplib.SMTP, mail: Letter, *, last_try: bool) -> bool:
        """Name sender and recipient and ask for the content; False when the connection had died before."""
        try:
            # Bounces go where replies do: both are read there, and that address may name the message.
            code, text = ask_to_take(link, self._bounces_go_to or mail.replies_to, mail.recipient)
        except (smtplib.SMTPServerDisconnected, OSError) as error:
            self._drop()
            if last_try or self._used == 1:
                raise Unreachable(
                    english("the connection broke before the message: {error}").format(error=_kind(error))
                ) from error
            return False
        if code != GO_ON:
            self._refuse(link, code, text)
        return True

    def _content(self, link: smtplib.SMTP, mail: Letter, ref: str) -> Accepted:
        try:
            link.send(_on_the_wire(mail.octets))
        except (smtplib.SMTPServerDisconnected, OSError) as error:
            # The end of the message was not sent, and a server must not deliver a part (RFC 5321 section 4.1.1.4).
            self._drop()
            raise Unreachable(
                english("the connection broke within the message: {error}").format(error=_kind(error))
            ) from error
        try:
            code, text = link.getreply()
        except (smtplib.SMTPException, OSError) as error:
            self._drop()
            raise InDoubt(
                english("the mail server did not answer after the message: {error}").format(error=_kind(error))
            ) from error
        self._idle_since = time.monotonic()
        if code // 100 != 2:
            self._refuse(link, code, text)
        self._slowdown.taken()
        return Accepted(ref=ref)

    def _open(self) -> smtplib.SMTP:
        if self._link is not None and (self._used >= self._section.per_connection or not self._is_alive(self._link)):
            self.close()
        if self._link is None:
            self._link = self._connect()
            self._used = 0
        self._used += 1
        return self._link

    def _is_alive(self, link: smtplib.SMTP) -> bool:
        if time.monotonic() - self._idle_since < _ASKS_AFTER_SECONDS:
            return True
        try:
            return link.noop()[0] == 250
        except (smtplib.SMTPException, OSError):
            return False

    def _connect(self) -> smtplib.SMTP:
        section = self._section
        port = section.port or _PORTS[section.tls]
        try:
            if section.tls == "tls":
                link: smtplib.SMTP = smtplib.SMTP_SSL(
                    section.host, port, timeout=section.timeout_seconds, context=self._tls
                )
            else:
                link = smtplib.SMTP(section.host, port, timeout=section.timeout_seconds)
        except smtplib.SMTPResponseException as error:
            raise Away(english("the mail server sends us away: answer {code}").format(code=error.smtp_code)) from error
        except (smtplib.SMTPException, OSError) as error:
            raise Away(english("the mail server can't be reached: {error}").format(error=_kind(error))) from error
        try:
            if section.tls == "starttls":
                link.starttls(context=self._tls)
            if section.user:
                link.login(section.user, self._password)
            else:
                link.ehlo_or_helo_if_needed()
        except smtplib.SMTPNotSupportedError as error:
            link.close()
            raise Away(english("the mail server does not offer what we need: {error}").format(error=error)) from error
        except smtplib.SMTPAuthenticationError as error:
            link.close()
            raise Away(
                english("the mail server does not know our user: answer {code}").format(code=error.smtp_code)
            ) from error
        except (smtplib.SMTPException, OSError) as error:
            link.close()
            raise Away(english("the mail server can't be talked to: {error}").format(error=_kind(error))) from error
        self._idle_since = time.monotonic()
        return link

    def _refuse(self, link: smtplib.SMTP, code: int, text: bytes) -> NoReturn:
        """Raise what an answer means, and leave the connection ready for the next message."""
        if is_complaint(code, text):
            self._slowdown.complained()
        if code == 421:  # the server closes the connection after it (RFC 5321 section 3.8)
            self._drop()
        else:
            try:
                link.rset()
            except (smtplib.SMTPException, OSError):
                self._drop()
        raise judge(code, text)

    def _drop(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None


def _on_the_wire(content: bytes) -> bytes:
    """Return the content with its closing dot; a dot that begins a line is doubled (RFC 5321 section 4.5.2)."""
    return content.replace(b"\r\n.", b"\r\n..") + b".\r\n"


def _kind(error: Exception) -> str:
    """Name an error without its words, which may repeat what the server said about a person."""
    reason = getattr(error, "verify_message", "") or getattr(error, "strerror", "") or ""
    return f"{type(error).__name__} {reason}".strip()
