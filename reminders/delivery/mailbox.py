"""Fetches mails from the practice's mailbox (IMAP) and marks each only once it is stored."""

from __future__ import annotations

import imaplib
import logging
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from reminders.config_delivery import MailboxSection
from reminders.delivery.tls import client_context
from reminders.errors import ConfigError, Unreachable
from reminders.sentences import english

_LOG = logging.getLogger(__name__)
_NOT_OPENED = english("the mail server does not let us open {folder}: {status}")
_NOT_MOVED = english("the mail server does not let us move a mail to {folder}: {status}")
_NOT_COPIED = english("the mail server does not let us copy a mail to {folder}: {status}")
_PORTS = {"tls": 993, "starttls": 143, "none-on-loopback": 143}
TAKEN = "RemindersTaken"
"""The keyword (RFC 9051 section 2.3.2) of mails that were stored."""
_MOST_OCTETS = 10_000_000
"""Of one mail; the words stand at its front, and what is cut off are attachments."""
_MOST_AT_ONCE = 50
"""Mails that are stored, and then marked, together."""


class Mailbox:
    """One mailbox of one practice. Mails stay there: a stored one is marked, or moved to another folder."""

    def __init__(
        self,
        section: MailboxSection,
        *,
        folder: Path,
        take_in: Callable[[Sequence[bytes]], Sequence[Exception | None]],
    ) -> None:
        """Prepare; `take_in` stores mails, and is given again next time what it says a fault of.

        Relative paths count from `folder`.
        """
        self._section = section
        self._take_in = take_in
        self._password = section.password.read(folder)
        self._tls = (
            client_context(section.ca_file, folder, setting="mailbox.ca_file")
            if section.tls != "none-on-loopback"
            else None
        )

    def fetch(self) -> int:
        """Store every mail that is not marked; return how many. One that can't be stored does not stop the others.

        Unreachable when the mailbox can't be reached; ConfigError when it can't be used as it is configured.
        """
        taken = 0
        with self._open() as link:
            for batch in self._batches(link):
                uids = self._store(batch)
                if uids:
                    self._mark(link, ",".join(uids))
                taken += len(uids)
        return taken

    def _batches(self, link: imaplib.IMAP4) -> Iterator[dict[str, bytes]]:
        """Give the mails that wait, oldest first, as many at once as may be held in memory."""
        batch: dict[str, bytes] = {}
        for uid in self._waiting(link):
            octets = _octets(
                _ok(
                    link.uid("FETCH", uid, f"(BODY.PEEK[]<0.{_MOST_OCTETS}>)"),
                    english("the mail server does not let us fetch a mail: {status}"),
                )
            )
            if octets is None:
                continue  # somebody took it away meanwhile
            batch[uid] = octets
            if len(batch) >= _MOST_AT_ONCE or sum(map(len, batch.values())) >= _MOST_OCTETS:
                yield batch
                batch = {}
        if batch:
            yield batch

    def _store(self, batch: Mapping[str, bytes]) -> list[str]:
        """Store mails and return which ones are; whatever is wrong with one, the next may be an emergency."""
        try:
            faults = self._take_in([*batch.values()])
        except Exception as error:  # noqa: BLE001  none of them is stored
            faults = [error] * len(batch)
        stored = []
        for uid, fault in zip(batch, faults, strict=True):
            if fault is None:
                stored.append(uid)
            else:
                _LOG.error("mail_not_taken", extra={"uid": uid}, exc_info=fault)
        return stored

    def _waiting(self, link: imaplib.IMAP4) -> list[str]:
        section = self._section
        _ok(link.select(_quoted(section.mailbox)), _NOT_OPENED, folder=section.mailbox)
        allowed = b" ".join(each for each in link.response("PERMANENTFLAGS")[1] if isinstance(each, bytes))
        if not section.move_to and rb"\*" not in allowed and TAKEN.encode() not in allowed:
            raise ConfigError(
                english(
                    "mailbox: {mailbox} keeps no marks of ours; name a folder in move_to, or give write access"
                ).format(mailbox=section.mailbox)
            )
        found = _ok(
            link.uid("SEARCH", "UNDELETED", "UNKEYWORD", TAKEN),
            english("the mail server does not let us search: {status}"),
        )
        uids = b" ".join(each for each in found if isinstance(each, bytes)).split()
        return [uid.decode() for uid in sorted(uids, key=int)]

    def _mark(self, link: imaplib.IMAP4, uids: str) -> None:
        target = self._section.move_to
        if not target:
            _ok(
                link.uid("STORE", uids, "+FLAGS.SILENT", f"({TAKEN})"),
                english("the mail server does not let us mark a mail: {status}"),
            )
            return
        able = _capabilities(link)
        if "MOVE" in able:
            _ok(link.uid("MOVE", uids, _quoted(target)), _NOT_MOVED, folder=target)
            return
        _ok(link.uid("COPY", uids, _quoted(target)), _NOT_COPIED, folder=target)
        _ok(
            link.uid("STORE", uids, "+FLAGS.SILENT", r"(\Deleted)"),
            english("the mail server does not let us mark a mail: {status}"),
        )
        if "UIDPLUS" in able:
            _ok(link.uid("EXPUNGE", uids), english("the mail server does not let us clear away a mail: {status}"))

    @contextmanager
    def _open(self) -> Iterator[imaplib.IMAP4]:
        """Give a connection that is signed in; every fault of it becomes Unreachable."""
        link = None
        try:
            link = self._connect()
            link.login(self._section.user, self._password)
            if self._section.move_to:
                link.create(_quoted(self._section.move_to))  # refused when it is there already
            yield link
        except (imaplib.IMAP4.error, OSError) as error:
            # The server's own words may name a person; ours name the kind of fault.
            raise Unreachable(
                english("the mailbox can't be used now: {error}").format(error=type(error).__name__)
            ) from error
        finally:
            if link is not None:
                _leave(link)

    def _connect(self) -> imaplib.IMAP4:
        section = self._section
        port = section.port or _PORTS[section.tls]
        if section.tls == "tls":
            return imaplib.IMAP4_SSL(section.host, port, ssl_context=self._tls, timeout=section.timeout_seconds)
        link = imaplib.IMAP4(section.host, port, timeout=section.timeout_seconds)
        if section.tls == "starttls":
            link.starttls(self._tls)
        return link


def _ok(answer: tuple[str, Sequence[object]], refused: str, *, folder: str = "") -> Sequence[object]:
    """Return what the server gave; `refused` is the error in words when it gave nothing, open for `status`."""
    status, data = answer
    if status != "OK":
        raise Unreachable(refused.format(status=status, folder=folder))
    return data


def _capabilities(link: imaplib.IMAP4) -> set[str]:
    """Return what the server can do for who signed in; the library remembers only what it said before."""
    said = _ok(link.capability(), english("the mail server does not let us ask what it can do: {status}"))
    return {
        word.upper() for each in said if isinstance(each, bytes) for word in each.decode("ascii", "replace").split()
    }


def _octets(data: Sequence[object]) -> bytes | None:
    return next((part[1] for part in data if isinstance(part, tuple) and isinstance(part[1], bytes)), None)


def _quoted(name: str) -> str:
    return '"' + re.sub(r'([\\"])', r"\\\1", name) + '"'


def _leave(link: imaplib.IMAP4) -> None:
    try:
        link.logout()  # which closes the connection, too
    except (imaplib.IMAP4.error, OSError):
        with suppress(OSError):
            link.shutdown()
