"""A real mailbox (Dovecot, as Debian packages it) with TLS, one user, and whatever mails a test puts into it."""

from __future__ import annotations

import grp
import imaplib
import os
import pwd
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any

from reminders.config_delivery import MailboxSection
from reminders.delivery.gathering import store_apart
from reminders.delivery.mailbox import Mailbox
from tests.delivery.peers.processes import Processes, listens, program, write_certificate
from tests.waiting import free_port

PASSWORD = "REMINDERS_TEST_IMAP_PASSWORD"


class DovecotServer:
    """Keeps the mails of `practice`, in a folder of its own."""

    def __init__(self) -> None:
        dovecot = program("dovecot", "dovecot-imapd")
        self._processes = Processes("dovecot")
        self.folder = self._processes.folder
        self.port, self.tls_port = free_port(), free_port()
        write_certificate(self.folder)
        os.environ[PASSWORD] = "secret"
        values = {"folder": self.folder, "port": self.port, "tls_port": self.tls_port}
        (self.folder / "conf").write_text(_CONF.format(**values, **_owner()))
        self._processes.start(dovecot, "-F", "-c", str(self.folder / "conf"), log="dovecot.log")
        self._processes.wait(lambda: listens(self.port) and listens(self.tls_port), "the mailbox")

    def mailbox(self, take_in: Callable[[bytes], object], **settings: Any) -> Mailbox:
        """A reader of it that stores one mail after the other, over TLS unless told otherwise."""

        def take_all(mails: Sequence[bytes]) -> list[Exception | None]:
            return [fault for each in mails for fault in store_apart([each], lambda one: take_in(*one))]

        return self.reader(take_all, **settings)

    def reader(self, take_in: Callable[[Sequence[bytes]], Sequence[Exception | None]], **settings: Any) -> Mailbox:
        """The same, with what stores several at once."""
        values = {
            "host": "localhost",
            "port": self.tls_port,
            "ca_file": "ca.pem",
            "user": "practice",
            "password": {"env": PASSWORD},
            "timeout_seconds": 5,
            **settings,
        }

        return Mailbox(MailboxSection.model_validate(values), folder=self.folder, take_in=take_in)

    def put(self, *mails: bytes, mailbox: str = "INBOX") -> None:
        """Put mails into it, as a mail server that delivers does."""
        with self._client() as client:
            for mail in mails:
                status, _ = client.append(mailbox, "", imaplib.Time2Internaldate(time.time()), mail)
                assert status == "OK"

    def count(self, mailbox: str = "INBOX", search: str = "ALL") -> int:
        """How many mails a folder of it holds."""
        with self._client() as client:
            if client.select(mailbox, readonly=True)[0] != "OK":
                return 0
            return len(client.search(None, search)[1][0].split())

    def open_as_a_person(self) -> None:
        """Read every mail, as somebody with a mail program does."""
        with self._client() as client:
            client.select("INBOX")
            client.store("1:*", "+FLAGS", r"(\Seen)")

    def clear(self) -> None:
        """Take every mail and every other folder out."""
        with self._client() as client:
            client.delete("Taken")
            if client.select("INBOX")[1] != [b"0"]:
                client.store("1:*", "+FLAGS", r"(\Deleted)")
                client.expunge()

    def stop(self) -> None:
        """End it."""
        self._processes.stop()

    def _client(self) -> imaplib.IMAP4:
        context = ssl.create_default_context(cafile=str(self.folder / "ca.pem"))
        client = imaplib.IMAP4_SSL("localhost", self.tls_port, ssl_context=context, timeout=5)
        client.login("practice", "secret")
        return client


def _owner() -> dict[str, object]:
    name = "nobody" if os.geteuid() == 0 else pwd.getpwuid(os.geteuid()).pw_name
    user = pwd.getpwnam(name)
    return {"user": name, "group": grp.getgrgid(user.pw_gid).gr_name, "uid": user.pw_uid}


_CONF = """\
protocols = imap
listen = 127.0.0.1
base_dir = {folder}/run
state_dir = {folder}/state
log_path = {folder}/dovecot-own.log
default_internal_user = {user}
default_internal_group = {group}
default_login_user = {user}
first_valid_uid = {uid}
mail_location = maildir:{folder}/mail
mail_uid = {uid}
mail_gid = {group}
ssl = yes
ssl_cert = <{folder}/cert.pem
ssl_key = <{folder}/key.pem
disable_plaintext_auth = yes
auth_mechanisms = plain login
passdb {{
  driver = static
  args = user=practice password=secret
}}
userdb {{
  driver = static
  args = uid={uid} gid={group} home={folder}/home
}}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = {port}
  }}
  inet_listener imaps {{
    port = {tls_port}
  }}
}}
service anvil {{
  chroot =
}}
service stats {{
  chroot =
}}
"""
