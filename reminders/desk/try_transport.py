"""Send a test message to one's own telephone or mailbox, to see that a transport works."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.contact_details import parse_email, parse_phone
from reminders.desk.duty import Person
from reminders.desk.staff_notice import Notice, notify
from reminders.desk.trail import Action, note_change
from reminders.errors import InputError
from reminders.sentences import english
from reminders.words import gettext

KEY = "staff_test"


def send_test(session: Session, desk: Desk, address: str, *, by: str) -> tuple[str, ...]:
    """Put a test message to a number or e-mail address into the outbox; returns its channel.

    Raises InputError for an address that is none, or when the practice has no address to send e-mails from.
    """
    now = desk.clock.now()
    if "@" in address:
        if not desk.has_email:
            raise InputError(gettext("the practice has no e-mail address to send from; set practice.email first"))
        person = Person(name=by, phone="", email=parse_email(address))
    else:
        person = Person(name=by, phone=parse_phone(address, region=desk.region, zone=desk.zone, at=now).e164, email="")
    words = gettext("{practice}: this is a test of our messages.", practice=desk.house.sender.practice_name)
    notice = Notice(
        key=KEY,
        subject=gettext("A test message"),
        short=words,
        useful_until=now + timedelta(minutes=30),
        reason=english("a test that {name} asked for").format(name=by),
    )
    note_change(session, desk, Action.MESSAGE_TEST, (None, ""))
    return notify(session, desk, person, notice)
