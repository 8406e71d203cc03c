"""What a mail tells: who, what, in answer to which, by a person or a program; whatever octets it is made of."""

from __future__ import annotations

import zlib
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.exchange.mail_machine import Fate
from reminders.exchange.mail_reading import read_mail
from reminders.exchange.mail_words import html_as_text

ID = "<0123456789ab-12@example.org>"


def raw(body: str = "yes", **headers: str) -> bytes:
    """A mail of invented Robin's; header names are written with underscores."""
    fields = {"From": "Robin Invented <Robin@Example.org>", "To": "desk@example.org", "Message_ID": "<1@example.org>"}
    lines = [f"{name.replace('_', '-')}: {value}" for name, value in (fields | headers).items()]
    return "\r\n".join([*lines, "", body, ""]).encode()


def report(status: str, action: str = "failed", *, original: str = f"Message-ID: {ID}\r\nSubject: Care") -> bytes:
    """A report as RFC 3464 section 2 and appendix E have it (from memory)."""
    return (
        "From: MAILER-DAEMON@mail.example.org\r\nTo: desk@example.org\r\nReturn-Path: <>\r\n"
        'Content-Type: multipart/report; report-type=delivery-status; boundary="b"\r\nMIME-Version: 1.0\r\n\r\n'
        "--b\r\nContent-Type: text/plain\r\n\r\nYour message could not be delivered.\r\n"
        "--b\r\nContent-Type: message/delivery-status\r\n\r\nReporting-MTA: dns; mail.example.org\r\n\r\n"
        f"Final-Recipient: rfc822; gone@example.org\r\nAction: {action}\r\nStatus: {status}\r\n"
        "Diagnostic-Code: smtp; 550 5.1.1 unknown here\r\n\r\n"
        f"--b\r\nContent-Type: message/rfc822\r\n\r\n{original}\r\n\r\nSoak now.\r\n--b--\r\n"
    ).encode()


def test_a_plain_mail_tells_sender_words_and_what_it_answers() -> None:
    mail = read_mail(raw("no, it is wet", In_Reply_To=ID, References=f"<0@example.org> {ID}", Subject="Re: Care"))
    assert (mail.sender, mail.text, mail.subject, mail.machine) == (
        "robin@example.org",
        "no, it is wet",
        "Re: Care",
        "",
    )
    assert mail.answers == (ID, "<0@example.org>")
    assert (mail.message_id, mail.recipients) == ("<1@example.org>", ("desk@example.org",))


def test_the_plain_form_of_a_text_is_read_unless_it_is_empty() -> None:
    both = EmailMessage()
    both.set_content("in plain words")
    both.add_alternative("<p>in HTML</p>", subtype="html")
    assert read_mail(both.as_bytes()).text == "in plain words"
    empty = EmailMessage()
    empty.set_content("\n")
    empty.add_alternative("<p>in HTML</p>", subtype="html")
    assert read_mail(empty.as_bytes()).text == "in HTML"


@pytest.mark.parametrize(
    ("html", "text"),
    [
        ("<p>one</p><p>two</p>", "one\ntwo"),
        ("one<br>two &amp; three", "one\ntwo & three"),
        ("<div>no</div><blockquote>Is it <b>dry</b>?</blockquote>", "no\n> Is it dry?"),
        ("<head><title>x</title><style>p {}</style><body>it hurts", "it hurts"),
    ],
)
def test_html_reads_like_a_page(html: str, text: str) -> None:
    assert html_as_text(html).strip() == text.strip()


def test_photos_and_documents_are_counted_and_logos_are_not() -> None:
    mail = EmailMessage()
    mail.set_content("see the photo")
    mail.add_attachment(b"\xff\xd8", maintype="image", subtype="jpeg", filename="toe.jpg")
    mail.add_attachment(b"x", maintype="application", subtype="pkcs7-signature", filename="smime.p7s")
    assert (read_mail(mail.as_bytes()).text, read_mail(mail.as_bytes()).attachments) == ("see the photo", 1)
    logo = EmailMessage()
    logo.set_content("thanks")
    logo.add_related(b"x", maintype="image", subtype="png", cid="<logo>")
    assert read_mail(logo.as_bytes()).attachments == 0


@pytest.mark.parametrize(
    ("charset", "octets"),
    [
        ("utf-8", b"me duele"),
        ("iso-8859-1", "año".encode("latin-1")),
        ("no-such", "año".encode()),
        *((name, b"me duele") for name in ("zlib", "bz2", "quopri", "hex", "rot13")),  # codecs of Python, no charsets
    ],
)
def test_words_in_any_charset_are_read(charset: str, octets: bytes) -> None:
    mail = b"From: a@example.org\r\nContent-Type: text/plain; charset=" + charset.encode() + b"\r\n\r\n" + octets
    assert read_mail(mail).text in {"me duele", "año"}


def test_a_charset_never_unpacks_what_came_packed() -> None:
    packed = b"From: a@example.org\r\nContent-Type: text/plain; charset=zlib\r\n\r\n" + zlib.compress(b"me duele")
    assert "me duele" not in read_mail(packed).text


# RFC 3834 section 2 says whom not to answer, section 5 what automatic answers carry; the others are common practice
@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({"Auto_Submitted": "auto-replied"}, id="rfc-3834-replied"),
        pytest.param({"Auto_Submitted": "auto-generated; x=y"}, id="rfc-3834-generated"),
        pytest.param({"Return_Path": "<>"}, id="rfc-3834-no-return-path"),
        pytest.param({"Precedence": "bulk"}, id="precedence"),
        pytest.param({"List_Id": "<news.example.org>"}, id="list"),
        pytest.param({"X_Autoreply": "yes"}, id="older-programs"),
        pytest.param({"From": "no-reply@example.org"}, id="nobody-reads-it"),
        pytest.param({"From": "MAILER-DAEMON@example.org"}, id="mail-server"),
        pytest.param({"Subject": "Automatic reply: Care"}, id="subject"),
        pytest.param({"Subject": "Respuesta automática: Care"}, id="subject-in-spanish"),
        pytest.param({"Subject": "Respuesta automatica"}, id="without-its-accent"),
        pytest.param({"Subject": "Respuesta automa\u0301tica"}, id="with-the-accent-apart"),
        pytest.param({"Subject": "Fuera de oficina: Care"}, id="out-of-office-in-spanish"),
        pytest.param({"Subject": "Autorespuesta"}, id="answers-itself-in-spanish"),
    ],
)
def test_what_a_program_wrote_is_known(headers: dict[str, str]) -> None:
    assert read_mail(raw("I am away", **headers)).machine


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Auto_Submitted": "no"},
        {"Subject": "Re: Care"},
        {"Subject": "Re: Automatic reply: Closed"},  # a person answers the mailbox's own
        {"Precedence": "normal"},
    ],
)
def test_what_a_person_wrote_is_not_taken_for_a_program_s(headers: dict[str, str]) -> None:
    assert read_mail(raw("yes", **headers)).machine == ""


@pytest.mark.parametrize(
    ("octets", "fate", "status"),
    [
        (report("5.1.1"), Fate.FAILED, "5.1.1"),
        (report("4.4.1", "delayed"), Fate.DELAYED, "4.4.1"),
        (report("2.0.0", "delivered"), Fate.DELIVERED, "2.0.0"),
        (report("", "failed"), Fate.FAILED, "5.1.1"),
    ],
)
def test_a_report_names_the_mail_and_its_fate(octets: bytes, fate: Fate, status: str) -> None:
    returned = read_mail(octets).returned
    assert returned is not None
    assert (returned.fate, returned.status, returned.message_ids[0]) == (fate, status, ID)


@pytest.mark.parametrize(
    ("body", "fate"),
    [
        (f"<gone@example.org>: 550 5.1.1 no such user\r\n\r\nMessage-ID: {ID}", Fate.FAILED),
        (f"Still trying: 4.4.1 no answer\r\n\r\nMessage-ID: {ID}", Fate.DELAYED),
        (f"It did not work.\r\n\r\nMessage-ID: {ID}", Fate.FAILED),
    ],
)
def test_a_report_in_no_form_is_read_when_a_mail_server_wrote_it(body: str, fate: Fate) -> None:
    returned = read_mail(raw(body, From="MAILER-DAEMON@mail.example.org")).returned
    assert returned is not None
    assert (returned.fate, ID in returned.message_ids) == (fate, True)


def test_a_warning_in_no_form_is_no_failure() -> None:
    warning = f"Your message has not yet been delivered to all of its recipients.\r\n\r\nMessage-ID: {ID}"
    for subject in ("Warning: message delayed 24 hours", "Mail delivery"):
        returned = read_mail(raw(warning, From="MAILER-DAEMON@mail.example.org", Subject=subject)).returned
        assert returned is not None
        assert returned.fate is Fate.DELAYED


def test_an_odd_sender_with_an_empty_return_path_and_a_code_reports_too() -> None:
    # RFC 5321 section 4.5.5: reports have an empty return path
    body = f"robin@example.org: 550 5.1.1 no such user\r\n\r\nMessage-ID: {ID}"
    returned = read_mail(raw(body, From="bounces@mail.example.org", Return_Path="<>")).returned
    assert returned is not None
    assert (returned.fate, returned.status, returned.message_ids) == (Fate.FAILED, "5.1.1", (ID,))
    assert read_mail(raw("I am away until Monday.", Return_Path="<>", In_Reply_To=ID)).returned is None


@pytest.mark.parametrize("action", ["relayed", "expanded"])
def test_that_somebody_else_has_the_mail_now_is_no_failure(action: str) -> None:
    assert read_mail(report("2.0.0", action)).returned is None


def test_of_several_mailboxes_behind_an_address_one_that_got_the_mail_is_enough() -> None:
    block = b"Final-Recipient: rfc822; also@example.org\r\nAction: delivered\r\nStatus: 2.0.0\r\n\r\n"
    first = b"Final-Recipient: rfc822; gone@example.org"
    for octets in (
        report("5.1.1").replace(first, block + first),
        report("5.1.1").replace(
            b"\r\n--b\r\nContent-Type: message/rfc822", b"\r\n" + block + b"--b\r\nContent-Type: message/rfc822"
        ),
    ):
        returned = read_mail(octets).returned
        assert returned is not None
        assert returned.fate is Fate.DELIVERED


def test_a_person_whose_address_is_postmaster_is_no_mail_server() -> None:
    mail = read_mail(raw("there is pus", From="Robin <postmaster@example.org>", In_Reply_To=ID))
    assert (mail.returned, mail.text) == (None, "there is pus")


def test_who_writes_about_an_error_is_no_mail_server() -> None:
    assert read_mail(raw("I got 550 5.1.1 from you")).returned is None


@given(html=st.text(alphabet="<>!/[]-&;pbrdiv \"'=x", max_size=120))
def test_any_html_is_read(html: str) -> None:
    html_as_text(html)


@given(octets=st.binary(max_size=600))
def test_any_octets_are_read(octets: bytes) -> None:
    read_mail(octets)


@given(
    name=st.sampled_from(["From", "To", "Subject", "Message-ID", "Content-Type", "Content-Transfer-Encoding", "Date"]),
    value=st.text(alphabet="=?utf-8QBx<>@,;:\"'\\ \t\xff[]()*%", max_size=80),
    body=st.sampled_from(["yes", "=?utf-8?B?x?=", "\xff\xfe", "<html>"]),
)
def test_any_header_is_read(name: str, value: str, body: str) -> None:
    read_mail(f"{name}: {value}\r\nMIME-Version: 1.0\r\n\r\n{body}".encode("latin-1", "replace"))
    read_mail(report("5.1.1").replace(b"Action: failed", f"{name}: {value}".encode("latin-1", "replace")))


def test_an_address_of_brackets_without_end_is_none() -> None:
    mail = read_mail(raw("it is red", From="(" * 5_000 + "robin@example.org"))
    assert (mail.sender, mail.text) == ("", "it is red")
