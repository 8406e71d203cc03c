"""Makes the e-mail of one message."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from email.message import EmailMessage

from reminders.delivery.outgoing import Outgoing
from reminders.errors import InputError, Refused, Unreachable
from reminders.wording.email import Email, build


def letter(message: Outgoing, senders: Mapping[str, str], at: datetime) -> EmailMessage:
    """Return the e-mail, with the message's idempotency key in its Message-ID.

    Unreachable when the practice has no address to send from yet; Refused when the message can't be an e-mail.
    """
    try:
        sender = senders[message.practice_id]
    except KeyError:
        raise Unreachable(f"practice {message.practice_id} has no e-mail address to send from") from None
    try:
        return build(
            Email(
                message_id=message.idempotency_key,
                sender=sender,
                recipient=message.address,
                subject=message.subject or "",
                body_markdown=message.markdown or message.text,
                language=message.language,
                date=at,
                auto="auto-replied" if message.answers else "auto-generated",
            )
        )
    except InputError as error:
        raise Refused(str(error)) from error
