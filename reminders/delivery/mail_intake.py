"""Takes in mails, each once and durably: a reply to the desk, a report about a mail of ours to that message."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum

from sqlalchemy.orm import Session

from reminders.clock import Clock
from reminders.delivery.gathering import store_apart
from reminders.delivery.incoming import Arrival, IncomingReply, MailFacts, Receipt
from reminders.delivery.intake import Intake
from reminders.delivery.transports.smtp_answers import meaning_of
from reminders.exchange.mail_machine import Fate, Returned
from reminders.exchange.mail_quotes import own_words, without_prefix
from reminders.exchange.mail_reading import Mail, read_mail
from reminders.records import people, receipts, replies
from reminders.records.database import Database
from reminders.records.tables import Message
from reminders.wording.email_body import plain_text

_QUOTED_WITHIN = timedelta(days=30)
_NOBODY = "sender unknown"
_ARRIVALS = {Fate.FAILED: Arrival.FAILED, Fate.DELAYED: Arrival.UNDERWAY, Fate.DELIVERED: Arrival.DELIVERED}


class MailKind(StrEnum):
    """What a mail was."""

    REPLY = "reply"  # somebody's words
    MACHINE = "machine"  # an automatic answer; kept like a reply, and not answered
    REPORT = "report"  # about a mail of ours


@dataclass(frozen=True, kw_only=True)
class MailTaken:
    """What came of a mail."""

    kind: MailKind
    message_id: int | None
    """The message of ours that it names."""
    detail: str
    """Of a report: what it says."""
    results: tuple[object, ...] = ()
    """What the desk said to a reply."""


class MailIntake:
    """Reads mails and stores what they say in one transaction; safe to call from any thread."""

    def __init__(
        self, intake: Intake, database: Database, clock: Clock, *, practice_id: str, own_addresses: Collection[str]
    ) -> None:
        """Take mails in for one practice; what comes from its `own_addresses` was written by a program."""
        self._intake = intake
        self._database = database
        self._clock = clock
        self._practice_id = practice_id
        self._own_addresses = {each.lower() for each in own_addresses if each}
        self._installation = database.installation_name()
        self._key = re.compile(rf"(?<![\w-]){re.escape(self._installation)}-(\d{{1,18}})(?=@)", re.IGNORECASE)

    def take_in(self, octets: bytes) -> MailTaken:
        """Take one mail in, whatever it holds. When this returns it is stored; the same mail again changes nothing."""
        (taken,) = self._take_all([octets])
        return taken

    def take_in_apart(self, mails: Sequence[bytes]) -> list[Exception | None]:
        """Take mails in by one transaction; return why each failed, None where it did not."""
        return store_apart(mails, self._take_all)

    def _take_all(self, mails: Sequence[bytes]) -> list[MailTaken]:
        with self._database.writing() as session:
            read = [self._read(session, octets) for octets in mails]
            said = iter(self._intake.take_in_within(session, [incoming for incoming, _ in read]))
            for incoming, taken in read:
                if isinstance(incoming, Receipt) and incoming.arrival is Arrival.UNDERWAY and taken.message_id:
                    receipts.note_delay(session, taken.message_id, taken.detail)
        return [
            replace(taken, results=(next(said),)) if isinstance(incoming, IncomingReply) else taken
            for incoming, taken in read
        ]

    def _read(self, session: Session, octets: bytes) -> tuple[Receipt | IncomingReply, MailTaken]:
        """Return what a mail is to the intake, and what came of it but for what the desk says."""
        mail = read_mail(octets)
        if mail.returned is not None:
            named = self._named((*mail.returned.message_ids, *mail.recipients))
            if named is not None:
                return self._report(mail.returned, named)
        reply = self._reply(session, mail, octets)
        facts = reply.mail
        return reply, MailTaken(
            kind=MailKind.MACHINE if facts is not None and facts.by_machine else MailKind.REPLY,
            message_id=facts.answers if facts is not None else None,
            detail=mail.machine,
        )

    def _report(self, returned: Returned, message_id: int) -> tuple[Receipt, MailTaken]:
        """Let a report happen to its message, as a receipt; of a delay only a note is taken."""
        meaning, bad_address = meaning_of(returned.status)
        receipt = Receipt(
            transport="email",
            arrival=_ARRIVALS[returned.fate],
            key=f"{self._installation}-{message_id}",
            detail=meaning,
            bad_address=bad_address and returned.fate is Fate.FAILED,
        )
        detail = f"{returned.fate}: {meaning}"
        return receipt, MailTaken(kind=MailKind.REPORT, message_id=message_id, detail=detail)

    def _reply(self, session: Session, mail: Mail, octets: bytes) -> IncomingReply:
        # A reply that quotes nothing may still have come to an address with our key in it.
        answered = self._named((*mail.answers, *mail.recipients))
        quoted = self._may_be_quoted(session, mail, answered)
        subjects = [each.subject or "" for each in quoted]
        # A page shows its subject once more, where no reader sees it but whoever reads the page as text.
        parted = own_words(mail.text, [*subjects, *(plain_text(each.markdown or each.text) for each in quoted)])
        subject = without_prefix(mail.subject, subjects)
        text = "\n".join(dict.fromkeys(each for each in (subject, parted.text) if each))
        sender = mail.sender or _NOBODY
        return IncomingReply(
            channel="email",
            sender=sender,
            text=text,
            gateway_ref=_fingerprint(mail, octets),
            mail=MailFacts(
                message_id=mail.message_id,
                answers=answered,
                by_machine=bool(mail.machine) or sender in self._own_addresses,
                left_out=parted.left_out,
                signature=parted.signature,
                attachments=mail.attachments,
            ),
        )

    def _may_be_quoted(self, session: Session, mail: Mail, answered: int | None) -> Sequence[Message]:
        """Return the messages of ours that the mail may quote: the one it names, else the sender's latest ones."""
        if answered is not None:
            named = receipts.message_row(session, answered)
            if named is not None and named.channel == "email":
                return [named]
        contacts = people.contacts_at(session, self._practice_id, "email", mail.sender)
        ids = [each.patient_id for each in contacts if each.state != "released"]
        if not ids:
            return []
        now = self._clock.now()
        return replies.reached_messages(session, ids, "email", since=now - _QUOTED_WITHIN, until=now)

    def _named(self, where: Sequence[str]) -> int | None:
        """Return the id of the first message of ours that is named; None when none is."""
        return next((int(found[1]) for each in where if (found := self._key.search(each))), None)


def _fingerprint(mail: Mail, octets: bytes) -> str:
    """Return what tells a mail from any other: the same one fetched twice has the same.

    Its Message-ID alone is not enough, as there are programs that give one to many mails.
    """
    parts = (mail.message_id, mail.sender, mail.subject, mail.text) if mail.message_id else ()
    named = "\x00".join(parts).encode("utf-8", "replace") if parts else octets
    return f"mail-{hashlib.sha256(named).hexdigest()}"
