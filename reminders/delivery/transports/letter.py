"""Makes the e-mail of one message."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from email.message import EmailMessage

from reminders.delivery.outgoing import Outgoing
from reminders.errors import InputError, Refused, Unreachable
from reminders.wording.email import Email, build


def letter(
    message: Outgoing, senders: Mapping[str, str], at: datetime, *, reply_to: Mapping[str, str] | None = None
) -> EmailMessage:
    """Return the e-mail, with the message's idempotency key in its Message-ID.

    `senders` and `reply_to` are the practices' addresses by id. Where the latter has `{key}` in it, the message's
    key stands there (`desk+{key}@example.org`), so that a reply names what it answers.
    Unreachable when the practice has no address to send from yet; Refused when the message can't be an e-mail.
    """
    try:
        sender = senders[message.practice_id]
    except KeyError:
        raise Unreachable(f"practice {message.practice_id} has no e-mail address to send from") from None
    answers_go_to = (reply_to or {}).get(message.practice_id)
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
                in_reply_to=message.in_reply_to,
                auto="auto-replied" if message.answers else "auto-generated",
                reply_to=answers_go_to.replace("{key}", message.idempotency_key) if answers_go_to else None,
            )
        )
    except InputError as error:
        raise Refused(str(error)) from error
