"""What really leaves as e-mail: read back from the files, and from a mail server that took it."""

from __future__ import annotations

import email
import email.policy
from collections.abc import Iterator
from email.message import EmailMessage
from typing import Any

import icalendar
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Message as KeptMessages
from sqlalchemy import update
from sqlmodel import col

from reminders.desk.consent import unsubscribe
from reminders.desk.duty import Person
from reminders.desk.staff_notice import Notice, notify
from reminders.records.people import new_id
from reminders.records.tables import Message
from reminders.records.visits import visits_to_tell
from reminders.wording.links import unsubscribed_message
from tests.desk.conftest import Opener
from tests.desk.office import Office, at
from tests.waiting import free_port

PAGES = "https://aftercare.example.org"
ROBIN = {"channel": "email", "email": "robin@example.org", "visit": "2026-06-24T10:00"}


class _Box(KeptMessages):
    """Keeps what the server took."""

    def __init__(self) -> None:
        super().__init__()
        self.taken: list[bytes] = []

    def prepare_message(self, session: Any, envelope: Any) -> Any:
        self.taken.append(envelope.original_content)
        return super().prepare_message(session, envelope)

    def handle_message(self, message: Any) -> None:
        """Nothing more."""


@pytest.fixture
def server() -> Iterator[tuple[int, _Box]]:
    """A mail server of this process (aiosmtpd)."""
    box, port = _Box(), free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield port, box
    controller.stop()


@pytest.fixture(params=["file", "smtp"])
def posting(request: pytest.FixtureRequest, office_at: Opener, server: tuple[int, _Box]) -> tuple[Office, _Box | None]:
    """The practice with pages over https, its e-mails going to files or to the server."""
    web = {"address": PAGES}
    if request.param == "file":
        return office_at(web=web), None
    smtp = {"host": "127.0.0.1", "port": server[0], "tls": "none-on-loopback"}
    return office_at(web=web, delivery={"email": "smtp", "smtp": smtp}), server[1]


def sent(posting: tuple[Office, _Box | None]) -> list[EmailMessage]:
    """Every e-mail that left, in the order of their dates."""
    office, box = posting
    folder = office.app.config.outbox_folder / "emails"
    raw = box.taken if box else [path.read_bytes() for path in folder.glob("*.eml")]
    mails = [email.message_from_bytes(each, policy=email.policy.default) for each in raw]
    return sorted(mails, key=lambda mail: mail["Date"].datetime)


def calendars(mails: list[EmailMessage]) -> list[tuple[Any, Any]]:
    """The calendar objects in mails and the event in each, as the icalendar library reads them."""
    found = []
    for mail in mails:
        for part in mail.walk():
            if part.get_content_type() == "text/calendar":
                calendar = icalendar.Calendar.from_ical(part.get_content())
                assert part.get_param("method") == calendar["METHOD"]  # RFC 6047 section 2.4
                found.append((calendar, calendar.walk("VEVENT")[0]))
    return found


# RFC 8058 section 3.1: an https address, and the field that says one click is enough; RFC 2369 section 3.2: mailto.
def test_every_mail_to_a_patient_says_how_to_end_them(posting: tuple[Office, _Box | None]) -> None:
    office, _ = posting
    enrolled = office.enroll(**ROBIN)
    office.play("2026-06-12T12:00")
    mails = sent(posting)
    key = office.database.link_key()
    ids = {new_id(each.id) for each in office.messages(enrolled.enrollment_id)}
    assert len(mails) >= 5
    for mail in mails:
        https, mailto = str(mail["List-Unsubscribe"]).split(", ")
        base, _, token = https.strip("<>").rpartition("/")
        assert base == f"{PAGES}/unsubscribe"
        assert unsubscribed_message(key, token) in ids
        assert mailto == "<mailto:office@example.org?subject=STOP&body=STOP>"
        assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
        assert [part.get_content_type() for part in mail.walk()][:3] in (
            ["multipart/alternative", "text/plain", "text/html"],
            ["multipart/mixed", "multipart/alternative", "text/plain"],
        )


def test_the_link_stops_the_address_it_was_sent_to_however_often_it_is_followed(
    posting: tuple[Office, _Box | None],
) -> None:
    office, _ = posting
    office.enroll(**ROBIN)
    office.dispatcher.run_once()
    link = str(sent(posting)[0]["List-Unsubscribe"]).split(">")[0]
    for _ in range(2):
        with office.database.writing() as session:
            assert unsubscribe(session, office.desk, link.rpartition("/")[2], key=office.app.link_key)
        assert office.contacts(1) == {"+13125550123": "active", "robin@example.org": "stopped"}
    assert office.consents(1)[-1][0] == "withdrawn"
    office.play("2026-06-12T12:00")
    assert len(sent(posting)) == 1


@pytest.mark.parametrize("token", ["", "1-x", "999-AAAAAAAAAAAAAAAAAAAAAA"])
def test_a_link_that_was_not_made_here_stops_nobody(office: Office, token: str) -> None:
    office.enroll(**ROBIN)
    with office.database.writing() as session:
        assert not unsubscribe(session, office.desk, token, key=office.app.link_key)
    assert set(office.contacts(1).values()) == {"active"}


def test_without_pages_over_https_a_mail_ends_them(office: Office) -> None:
    office.enroll(**ROBIN)
    office.play("2026-06-10T12:00")
    mails = sent((office, None))
    assert mails
    for mail in mails:
        assert mail["List-Unsubscribe"] == "<mailto:office@example.org?subject=STOP&body=STOP>"
        assert mail["List-Unsubscribe-Post"] is None


def test_the_mail_that_the_mailto_address_writes_ends_them(office: Office) -> None:
    office.enroll(**ROBIN)
    office.reply("STOP", sender="robin@example.org", channel="email")
    (contact,) = [each for each in office.contacts(1).items() if each[0] == "robin@example.org"]
    assert contact == ("robin@example.org", "stopped")


def test_a_mail_to_staff_can_not_be_ended_so(posting: tuple[Office, _Box | None]) -> None:
    office, _ = posting
    person = Person(name="D. Doctor", email="doctor@example.org")
    notice = Notice(key="x", subject="S", short="T", useful_until=at("2026-06-11T10:30"), reason="a test")
    with office.database.writing() as session:
        notify(session, office.desk, person, notice)
    office.dispatcher.run_once()
    (mail,) = sent(posting)
    assert (mail["To"], mail["List-Unsubscribe"]) == ("doctor@example.org", None)


# RFC 5322 section 3.6.4: a Message-ID names one message; a second try is no other message.
def test_a_message_keeps_its_message_id_over_every_try(office_at: Opener) -> None:
    port = free_port()
    smtp = {"host": "127.0.0.1", "port": port, "tls": "none-on-loopback"}
    office = office_at(delivery={"email": "smtp", "smtp": smtp})
    office.enroll(**ROBIN)
    office.dispatcher.run_once()
    (message,) = [each for each in office.messages(1) if each.attempts]
    assert message.state == "scheduled"
    box = _Box()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    office.play("2026-06-10T10:50")
    controller.stop()
    assert sent((office, box))[0]["Message-ID"] == f"<{office.database.installation_name()}-{message.id}@example.org>"


# RFC 5545 section 3.8.7.4 and RFC 5546 section 3.2: one UID, a growing SEQUENCE, PUBLISH then CANCEL.
def test_the_visit_goes_into_the_calendar_moves_there_and_is_called_off(posting: tuple[Office, _Box | None]) -> None:
    office, _ = posting
    enrollment = office.enroll(**ROBIN).enrollment_id
    office.play("2026-06-22T13:00")
    office.replan(enrollment, visit=at("2026-06-26T14:00"))
    office.play("2026-06-24T13:00")
    office.replan(enrollment, visit=None)
    office.play("2026-07-10T13:00")
    found = calendars(sent(posting))
    assert [(calendar["METHOD"], event["SEQUENCE"], event["STATUS"]) for calendar, event in found] == [
        ("PUBLISH", 0, "CONFIRMED"),
        ("PUBLISH", 1, "CONFIRMED"),
        ("CANCEL", 2, "CANCELLED"),
    ]
    name = f"visit-{office.database.installation_name()}-{enrollment}@example.org"
    assert {str(event["UID"]) for _, event in found} == {name}
    assert [event["DTSTART"].dt for _, event in found] == [
        at("2026-06-24T10:00"),
        at("2026-06-26T14:00"),
        at("2026-06-26T14:00"),
    ]
    assert {str(event["SUMMARY"]) for _, event in found} == {"Example Foot Care"}


def test_a_visit_that_no_calendar_heard_of_is_called_off_in_silence(office: Office) -> None:
    enrollment = office.enroll(**ROBIN).enrollment_id
    office.replan(enrollment, visit=None)
    office.play("2026-07-10T13:00")
    assert calendars(sent((office, None))) == []


def test_a_calendar_that_was_told_another_time_hears_of_it_with_the_next_mail(office: Office) -> None:
    enrollment = office.enroll(**{**ROBIN, "visit": "2026-06-13T10:00"}).enrollment_id
    office.play("2026-06-11T13:00")
    told = calendars(sent((office, None)))
    office.replan(enrollment, visit=at("2026-06-30T10:00"))
    office.play("2026-06-12T13:00")
    new = calendars(sent((office, None)))[len(told) :]
    assert [event["DTSTART"].dt for _, event in told] == [at("2026-06-13T10:00")]
    assert [(event["DTSTART"].dt, event["SEQUENCE"]) for _, event in new] == [(at("2026-06-30T10:00"), 1)]


def test_a_visit_at_the_same_time_is_no_change(office: Office) -> None:
    enrollment = office.enroll(**ROBIN).enrollment_id
    office.replan(enrollment, visit=at("2026-06-24T10:00"), language="es")
    office.play("2026-06-22T13:00")
    ((_, event),) = calendars(sent((office, None)))
    assert event["SEQUENCE"] == 0


def test_an_sms_course_tells_no_calendar(office: Office) -> None:
    office.enroll(visit="2026-06-24T10:00")
    office.play("2026-06-22T13:00")
    assert sent((office, None)) == []


def test_a_message_that_says_the_visit_as_well_carries_it(office: Office) -> None:
    enrollment = office.enroll(**ROBIN).enrollment_id
    host = office.message(enrollment, "closing")
    joined = {"state": "joined", "joined_into": f"closing:{host.occurrence}"}
    with office.database.writing() as session:
        session.execute(
            update(Message).where(col(Message.id) == office.message(enrollment, "visit").id).values(**joined)
        )
        told = visits_to_tell(session, [(new_id(host.id), enrollment)])
    assert [(visit.sequence, visit.starts_at) for visit in told.values()] == [(0, at("2026-06-24T10:00"))]


def test_a_message_that_does_not_speak_of_the_visit_carries_nothing(office: Office) -> None:
    enrollment = office.enroll(**ROBIN).enrollment_id
    ids = [new_id(each.id) for each in office.messages(enrollment) if each.key != "visit"]
    with office.database.reading() as session:
        assert visits_to_tell(session, [(each, enrollment) for each in ids]) == {}
