"""Puts messages to the practice's own people into the outbox: nothing about a patient, only a number and a link."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from reminders.care.values import InDoubt
from reminders.desk.composing import Desk
from reminders.desk.duty import Person
from reminders.desk.message_rows import due_now
from reminders.records.bulk import insert_messages
from reminders.wording.email_body import escape_markdown
from reminders.wording.sms import measure, substitute_typography
from reminders.words import language

SHORT_NOTICE = "staff_notice"
DIGEST = "staff_digest"


@dataclass(frozen=True, kw_only=True)
class Notice:
    """What a person of the practice is told."""

    key: str
    subject: str
    """Of the e-mail."""
    short: str
    """The SMS, and the e-mail's first paragraph; empty: no SMS is sent."""
    paragraphs: tuple[str, ...] = ()
    """What only the e-mail says."""
    useful_until: datetime
    reason: str


def notify(session: Session, desk: Desk, person: Person, notice: Notice) -> tuple[str, ...]:
    """Tell a person by SMS and by e-mail, as far as they can be reached so; returns the channels."""
    channels = []
    if person.phone and notice.short:
        channels.append(("sms", person.phone))
    if person.email and desk.has_email:
        channels.append(("email", person.email))
    insert_messages(session, [_row(desk, channel, address, notice) for channel, address in channels])
    return tuple(channel for channel, _ in channels)


def can_be_told(desk: Desk, person: Person) -> bool:
    """Say whether there is a way to reach a person."""
    return bool(person.phone or (person.email and desk.has_email))


def link_to(desk: Desk, concern_id: int) -> str:
    """Return where a concern is opened: the link when the practice has one, else the command."""
    return f"{desk.duty.link}/concerns/{concern_id}" if desk.duty.link else f"reminders concerns show {concern_id}"


def _row(desk: Desk, channel: str, address: str, notice: Notice) -> dict[str, object]:
    short = substitute_typography(notice.short)
    measured = measure(short) if channel == "sms" else None
    paragraphs = tuple(each for each in (notice.short, *notice.paragraphs) if each)
    return {
        "practice_id": desk.practice_id,
        "kind": "staff",
        "key": notice.key,
        "occurrence": 1,
        "text_name": "",
        "channel": channel,
        "address": address,
        "language": language(),
        **due_now(desk.clock.now()),
        "useful_until": notice.useful_until,
        "required": True,
        "importance": 1,
        "in_doubt": InDoubt.RESEND.value,
        "subject": None if measured else notice.subject,
        "text": short if measured else "\n\n".join(paragraphs),
        "markdown": None if measured else "\n\n".join(escape_markdown(each) for each in paragraphs),
        "encoding": measured.encoding.value if measured else None,
        "segments": measured.segments if measured else 0,
        "reasons": [{"rule": "staff", "text": notice.reason}],
    }


def until(now: datetime, pause: timedelta) -> datetime:
    """Return how long a notice may go out late: a newer one comes after the pause, but a slow gateway gets its time."""
    return now + max(pause, timedelta(minutes=30))
