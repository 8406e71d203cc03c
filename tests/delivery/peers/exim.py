"""A real mail server (Exim, as Debian packages it) with STARTTLS, TLS from the start, users and a mailbox."""

from __future__ import annotations

import email
import email.policy
import os
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Any

from reminders.config_delivery import SmtpSection
from reminders.delivery.transports.smtp import SmtpTransport
from tests.delivery.peers.processes import Processes, listens, program, write_certificate
from tests.delivery.peers.smtp import LETTERHEADS
from tests.waiting import free_port

PASSWORD = "REMINDERS_TEST_SMTP_PASSWORD"


class EximServer:
    """Takes mail for anybody at example.org but `gone` and, for now, `full`, from whoever knows the password."""

    def __init__(self) -> None:
        exim = program("exim4", "exim4-daemon-light")
        self._processes = Processes("exim")
        self.folder = self._processes.folder
        self.port, self.tls_port = free_port(), free_port()
        write_certificate(self.folder)
        (self.folder / "conf").write_text(_CONF.format(folder=self.folder, tls_port=self.tls_port))
        ports = f"<; 127.0.0.1.{self.port} ; 127.0.0.1.{self.tls_port}"
        self._processes.start(exim, "-C", str(self.folder / "conf"), "-bdf", "-oX", ports, log="exim.log")
        self._processes.wait(lambda: listens(self.port) and listens(self.tls_port), "the mail server")

    def transport(self, **settings: Any) -> SmtpTransport:
        """A transport that talks to it by STARTTLS, unless told otherwise."""
        os.environ[PASSWORD] = "secret"
        values = {
            "host": "localhost",
            "port": self.port,
            "ca_file": "ca.pem",
            "user": "practice",
            "password": {"env": PASSWORD},
            "timeout_seconds": 5,
            **settings,
        }
        return SmtpTransport(
            SmtpSection.model_validate(values),
            folder=self.folder,
            now=lambda: datetime.now(UTC),
            letterheads=LETTERHEADS,
        )

    def mails(self, count: int) -> list[EmailMessage]:
        """What is in the mailbox, once there are so many."""
        self._processes.wait(lambda: len(list(self.folder.glob("mail/new/*"))) >= count, f"mail number {count}")
        return [
            email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
            for path in sorted(self.folder.glob("mail/new/*"))
        ]

    def stop(self) -> None:
        """End it."""
        self._processes.stop()


# helo_lookup_domains: by default EHLO [127.0.0.1] is looked up in the DNS, for 5 s where no name server answers.
_CONF = """\
primary_hostname = mail.example.org
spool_directory = {folder}/spool
log_file_path = {folder}/exim-%s.log
pid_file_path = {folder}/pid
exim_user = nobody
exim_group = nogroup
never_users =
keep_environment =
deliver_drop_privilege = true
tls_advertise_hosts = *
tls_certificate = {folder}/cert.pem
tls_privatekey = {folder}/key.pem
tls_on_connect_ports = {tls_port}
helo_lookup_domains =
smtp_accept_max = 0
auth_advertise_hosts = ${{if def:tls_in_cipher {{*}}{{}}}}
message_size_limit = 20K
acl_smtp_rcpt = rcpt
acl_smtp_data = accept
begin acl
rcpt:
  deny
    !authenticated = *
    message = 5.7.1 tell who you are
  deny
    local_parts = gone
    message = 5.1.1 $local_part@$domain is not known here
  defer
    local_parts = full
    message = 4.2.2 the mailbox of $local_part is full
  accept
begin routers
all:
  driver = accept
  transport = mailbox
begin transports
mailbox:
  driver = appendfile
  directory = {folder}/mail
  maildir_format
  user = nobody
  group = nogroup
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${{if and {{{{eq{{$auth2}}{{practice}}}}{{eq{{$auth3}}{{secret}}}}}}}}
  server_set_id = $auth2
"""
