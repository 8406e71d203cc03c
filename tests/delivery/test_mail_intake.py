"""Mails come in by whichever way: matched to the patient, read without quotes, answered in their thread, once."""

from __future__ import annotations

import email
import email.policy
from email.message import EmailMessage

import pytest

from reminders.delivery.mail_intake import MailKind, MailTaken
from reminders.desk.take_reply import Taken
from reminders.records.tables import Message
from tests.databases import database_kind
from tests.desk.conftest import office_at
from tests.desk.office import Office
from tests.exchange.test_mail_quotes import INTRO
from tests.exchange.test_mail_reading import raw, report

__all__ = ["database_kind", "office_at"]

ROBIN = "robin@example.org"
URGENT = "there is pus coming out and it smells"


@pytest.fixture
def office(office_at: object) -> Office:
    """The practice, which reads a mailbox; Robin gets e-mails, and the first one went out."""
    opened: Office = office_at(mailbox=MAILBOX)  # type: ignore[operator]
    opened.enroll(email=ROBIN, channel="email", phone="")
    opened.answers()
    return opened


MAILBOX = {
    "host": "localhost",
    "user": "practice",
    "password": {"env": "INVENTED"},
    "address": "desk@example.org",
    "plus": True,
}


def letters(office: Office) -> list[EmailMessage]:
    """Every e-mail that left, in order."""
    paths = sorted(
        (office.app.config.outbox_folder / "emails").glob("*.eml"), key=lambda path: int(path.stem.rpartition("-")[2])
    )
    return [email.message_from_bytes(path.read_bytes(), policy=email.policy.default) for path in paths]


def take(office: Office, octets: bytes) -> MailTaken:
    return office.app.mail_intake.take_in(octets)


def taken(office: Office, octets: bytes) -> Taken:
    (result,) = take(office, octets).results
    assert isinstance(result, Taken)
    return result


def about(office: Office, letter: EmailMessage) -> Message:
    """The message that went out as a letter."""
    number = int(letter["Message-ID"].partition("@")[0].rpartition("-")[2])
    (found,) = [each for each in office.messages() if each.id == number]
    return found


def quoted(letter: EmailMessage) -> str:
    body = letter.get_body(("plain",))
    assert body is not None
    return f"{INTRO}\r\n" + "".join(f"> {line}\r\n" for line in body.get_content().splitlines())


def test_a_reply_is_read_without_the_quote_and_answered_in_its_thread(office: Office) -> None:
    (sent,) = letters(office)
    mail = raw(
        f"{URGENT}\r\n\r\n{quoted(sent)}", From=ROBIN, In_Reply_To=sent["Message-ID"], Message_ID="<9@a.example>"
    )
    result = taken(office, mail)
    reply = office.kept_reply(result.reply_id)
    assert (reply.text, reply.patient_id, reply.message_id) == (URGENT, 1, about(office, sent).id)
    assert "Reply STOP" in (reply.left_out or "") or "reply STOP" in (reply.left_out or "")
    office.answers()
    answer = letters(office)[-1]
    assert (answer["To"], answer["In-Reply-To"], answer["References"]) == (ROBIN, "<9@a.example>", "<9@a.example>")
    assert answer["Auto-Submitted"] == "auto-replied"


def test_a_page_alone_is_read_without_the_one_it_quotes(office: Office) -> None:
    (sent,) = letters(office)
    page = sent.get_body(("html",))
    assert page is not None
    answer = EmailMessage()
    answer["From"], answer["Subject"], answer["In-Reply-To"] = ROBIN, f"RE: {sent['Subject']}", sent["Message-ID"]
    headers = "<b>From:</b> Example Foot Care<br><b>Sent:</b> Monday<br><b>To:</b> Robin<br><b>Subject:</b> Care"
    answer.set_content(f"<p>thanks</p><hr><div>{headers}</div>{page.get_content()}", subtype="html")
    assert office.kept_reply(taken(office, answer.as_bytes()).reply_id).text == "thanks"


@pytest.mark.parametrize("way", ["in-reply-to", "references", "plus-address", "sender"])
def test_a_mail_finds_its_patient_by_whatever_it_names(office: Office, way: str) -> None:
    (sent,) = letters(office)
    headers = {
        "in-reply-to": {"From": "elsewhere@example.org", "In_Reply_To": sent["Message-ID"]},
        "references": {"From": "elsewhere@example.org", "References": f"{sent['Message-ID']} <x@example.org>"},
        "plus-address": {"From": "elsewhere@example.org", "To": sent["Reply-To"]},
        "sender": {"From": "Robin <ROBIN@example.org>"},
    }[way]
    assert taken(office, raw(URGENT, **headers)).patient_id == 1


def test_every_mail_names_an_address_of_its_own_to_reply_to(office: Office) -> None:
    (sent,) = letters(office)
    assert sent["Reply-To"] == f"desk+{sent['Message-ID'][1:].partition('@')[0]}@example.org"


def test_a_stranger_who_names_a_mail_that_we_never_sent_is_a_stranger(office: Office) -> None:
    result = taken(office, raw(URGENT, From="other@example.org", In_Reply_To="<000000000000-1@example.org>"))
    assert (result.patient_id, result.label) == (None, "urgent")


def test_stop_from_another_mailbox_stops_the_one_we_write_to(office: Office) -> None:
    (sent,) = letters(office)
    result = taken(office, raw("STOP", From="elsewhere@example.org", In_Reply_To=sent["Message-ID"]))
    assert result.answered_with == "answer_stopped"
    assert office.contacts(1) == {ROBIN: "stopped"}
    office.answers()
    assert letters(office)[-1]["To"] == "elsewhere@example.org"


@pytest.mark.parametrize(
    "mail",
    [
        pytest.param(raw("", From=ROBIN, Subject="unsubscribe"), id="in-the-subject"),
        pytest.param(raw("STOP", From=ROBIN, Subject="STOP"), id="in-both"),
        pytest.param(raw("STOP\r\n\r\nSent from my iPhone", From=ROBIN, Subject="Re: hello"), id="above-a-signature"),
        pytest.param(raw("Stop\r\n-- \r\nRobin", From=ROBIN), id="above-rfc-3676-signature"),
    ],
)
def test_a_stop_by_mail_is_one_wherever_it_stands(office: Office, mail: bytes) -> None:
    subject = letters(office)[0]["Subject"]
    assert taken(office, mail.replace(b"Re: hello", f"Re: {subject}".encode())).label == "stop"
    assert office.contacts(1) == {ROBIN: "stopped"}


def test_the_same_mail_again_changes_nothing(office: Office) -> None:
    mail = raw(URGENT, From=ROBIN)
    first = taken(office, mail)
    before = office.dump()
    again = taken(office, b"Received: by another way\r\n" + mail)
    assert (again.is_new, again.reply_id) == (False, first.reply_id)
    assert office.dump() == before


def test_two_mails_under_one_name_are_two(office: Office) -> None:
    assert taken(office, raw("thanks", From=ROBIN)).is_new
    assert taken(office, raw(URGENT, From=ROBIN)).is_new


def test_an_automatic_answer_is_kept_and_neither_answered_nor_an_end_of_silence(office: Office) -> None:
    mail = raw("I am away until Monday", From=ROBIN, Auto_Submitted="auto-replied")
    assert take(office, mail).kind is MailKind.MACHINE
    reply = office.kept_reply(1)
    assert (reply.written_by, office.concerns()) == ("machine", [])
    assert [m for m in office.messages() if m.kind == "answer"] == []


def test_a_sign_in_an_automatic_answer_reaches_a_person_all_the_same(office: Office) -> None:
    result = taken(office, raw(URGENT, From=ROBIN, Auto_Submitted="auto-replied"))
    assert (result.answered_with, office.concerns()[0].urgency) == (None, "urgent")


def test_a_program_can_not_give_consent_and_may_take_it_back(office: Office) -> None:
    taken(office, raw("STOP", From=ROBIN, Auto_Submitted="auto-replied"))
    assert office.contacts(1) == {ROBIN: "stopped"}
    taken(office, raw("START", From=ROBIN, Auto_Submitted="auto-replied"))
    assert office.contacts(1) == {ROBIN: "stopped"}


@pytest.mark.parametrize("own", ["office@example.org", "Desk <DESK@example.org>"])
def test_what_we_sent_ourselves_is_not_answered(office: Office, own: str) -> None:
    assert taken(office, raw(URGENT, From=own)).answered_with is None


def test_a_photo_without_words_that_say_something_reaches_a_person(office: Office) -> None:
    mail = EmailMessage()
    mail["From"] = ROBIN
    mail.set_content("thanks")
    mail.add_attachment(b"\xff\xd8", maintype="image", subtype="jpeg", filename="toe.jpg")
    result = taken(office, mail.as_bytes())
    assert (result.label, len(office.concerns())) == ("routine", 1)


def test_a_signature_that_reports_a_sign_is_none(office: Office) -> None:
    assert taken(office, raw(f"thank you\r\n-- \r\n{URGENT}", From=ROBIN)).label == "urgent"


def test_a_mail_without_a_sender_is_kept_and_seen(office: Office) -> None:
    result = taken(office, b"Subject: help\r\n\r\nmy toe is black and cold")
    assert (result.patient_id, result.answered_with, len(office.concerns())) == (None, None, 1)


@pytest.mark.parametrize("status", ["5.1.1", "5.2.1", "5.1.10"])
def test_a_mailbox_that_is_gone_gets_no_more_mail_and_staff_are_told(office: Office, status: str) -> None:
    # RFC 3463 sections 3.2 and 3.3, RFC 7505: no such mailbox, disabled, takes no mail
    (sent,) = letters(office)
    result = take(office, report(status, original=f"Message-ID: {sent['Message-ID']}"))
    assert (result.kind, result.message_id) == (MailKind.REPORT, about(office, sent).id)
    assert about(office, sent).state == "failed"
    assert office.contacts(1) == {ROBIN: "unreachable"}
    assert [each.kind for each in office.concerns()] == ["delivery"]
    before = len(letters(office))
    office.play("2026-06-12T12:00")
    assert len(letters(office)) == before


@pytest.mark.parametrize("status", ["5.2.2", "5.7.1", ""])
def test_a_mail_that_is_refused_for_good_says_nothing_about_the_mailbox(office: Office, status: str) -> None:
    # RFC 3463: mailbox full, refused by policy
    (sent,) = letters(office)
    original = f"Message-ID: {sent['Message-ID']}"
    take(office, report(status, original=original).replace(b"550 5.1.1 unknown here", b"550 no"))
    assert about(office, sent).state == "failed"
    assert office.contacts(1) == {ROBIN: "active"}
    assert len(office.concerns()) == 1


def test_a_delay_is_noted_and_nothing_else(office: Office) -> None:
    (sent,) = letters(office)
    take(office, report("4.4.1", "delayed", original=f"Message-ID: {sent['Message-ID']}"))
    message = about(office, sent)
    assert (message.state, message.detail) == ("sent", "delayed: 4.4.1: the recipient's server does not answer")
    assert office.concerns() == []


def test_a_report_about_nothing_of_ours_is_kept_like_any_automatic_mail(office: Office) -> None:
    assert take(office, report("5.1.1", original="Message-ID: <x@elsewhere.example>")).kind is MailKind.MACHINE
    assert office.concerns() == []
