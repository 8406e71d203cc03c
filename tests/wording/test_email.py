"""E-mails read back by the library's parsers, against the rules of the RFCs named beside each check."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from email import message_from_bytes, policy
from email.header import decode_header, make_header
from email.message import EmailMessage
from email.utils import parseaddr
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reminders.errors import InputError
from reminders.wording import email_body
from reminders.wording.email import CalendarPart, Email, build, escape_markdown, html, plain_text
from reminders.wording.email_body import body_html
from reminders.wording.email_parts import text_part

CALENDAR = CalendarPart(content=b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", method="PUBLISH")
EMAIL = Email(
    message_id="17.soak-2",
    sender="Clínica Ejemplo <aftercare@example.org>",
    recipient="ana@example.org",
    subject="Today: soak your toe",
    body_markdown="Hello **Ana**,\n\n- soak\n- pat dry\n",
    language="en",
    date=datetime(2026, 3, 7, 19, 0, tzinfo=timezone(timedelta(hours=-8))),
)
# Any character a header may hold; the rest is refused, see below.
HEADER_TEXT = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=200)


def parsed(email: Email) -> EmailMessage:
    return message_from_bytes(build(email), policy=policy.default)


def raw_header(email: Email, name: str) -> str:
    """Return the field as it goes over the line, unfolded (RFC 5322 §2.2.3)."""
    head = build(email).partition(b"\r\n\r\n")[0].decode("ascii")
    found = re.findall(rf"^{name}: (.*)$", re.sub(r"\r\n(?=[ \t])", "", head).replace("\r", ""), re.MULTILINE)
    return str(found[0])


class _Reader(HTMLParser):
    """Collects the tags, attributes and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    return reader


# RFC 2046 §5.1.4: the plainest alternative comes first.
def test_a_list_of_mails_shows_the_subject_in_place_of_the_first_words() -> None:
    """About a hundred characters of a mail are shown unopened (common practice, no source)."""
    shown = read(html("Take one tablet of ibuprofen.", language="en", title="Your care", preview="Your <care>")).text
    begins = shown.index("Your <care>")
    assert shown.index("Take one") - begins > 100
    assert not shown[begins + len("Your <care>") : shown.index("Take one")].strip("\u034f\u200c\xa0\n")


def test_plain_part_comes_before_html() -> None:
    message = parsed(EMAIL)

    assert message.get_content_type() == "multipart/alternative"
    plain, page = message.iter_parts()
    assert isinstance(plain, EmailMessage)
    assert plain.get_content().replace("\r\n", "\n") == "Hello Ana,\n\n- soak\n- pat dry\n"
    assert page.get_content_type() == "text/html"


# RFC 2045 §6.7 and §6.8, read by the library; line ends are those of mail (RFC 5322 §2.3).
@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=2000))
def test_any_text_arrives_as_written(text: str) -> None:
    part = message_from_bytes(text_part("plain", text), policy=policy.default)

    lines = text.encode().splitlines()
    assert part.get_payload(decode=True) == b"".join(line + b"\r\n" for line in lines)


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("Soak the toe. " * 5, "7bit"),
        ("Soak the toe. " * 6, "quoted-printable"),
        ("Remoje el dedo en agua tibia y séquelo.", "quoted-printable"),
        ("انقع إصبع القدم في ماء دافئ", "base64"),
        ("Soak\0 the toe in warm water.", "quoted-printable"),
    ],
)
def test_a_text_is_written_as_short_as_seven_bits_allow(text: str, encoding: str) -> None:
    part = message_from_bytes(text_part("plain", text), policy=policy.default)

    assert part["Content-Transfer-Encoding"] == encoding


def test_calendar_is_attached_beside_the_alternatives() -> None:
    message = parsed(replace(EMAIL, calendar=CALENDAR))

    texts, visit = message.iter_parts()
    assert isinstance(visit, EmailMessage)
    assert message.get_content_type() == "multipart/mixed"
    assert texts.get_content_type() == "multipart/alternative"
    assert visit.get_content_type() == "text/calendar"
    assert visit["Content-Type"].params["method"] == "PUBLISH"
    assert visit.get_filename() == "visit.ics"
    assert visit.get_payload(decode=True) == CALENDAR.content


def test_headers_stand_once_and_say_what_was_given() -> None:
    message = parsed(EMAIL)

    assert message["From"].addresses[0].display_name == "Clínica Ejemplo"
    assert message["To"] == "ana@example.org"
    assert message["Date"].datetime == EMAIL.date
    assert message["Message-ID"] == "<17.soak-2@example.org>"
    assert message["Content-Language"] == "en"
    assert len(set(message.keys())) == len(message.keys())


def test_same_email_gives_the_same_octets() -> None:
    email = replace(EMAIL, calendar=CALENDAR)

    assert build(email) == build(email)


# RFC 8058 §3.1 and §8, RFC 2369: both fields, the https address first.
def test_one_click_unsubscribe_is_offered() -> None:
    url = "https://practice.example.org/u/" + "A" * 200
    email = replace(EMAIL, unsubscribe_url=url, unsubscribe_mailto="mailto:unsub@example.org?subject=A")

    assert raw_header(email, "List-Unsubscribe") == f"<{url}>, <mailto:unsub@example.org?subject=A>"
    assert raw_header(email, "List-Unsubscribe-Post") == "List-Unsubscribe=One-Click"


# RFC 8058 §3.1: one-click needs an https address.
def test_mail_address_alone_is_no_one_click() -> None:
    message = parsed(replace(EMAIL, unsubscribe_mailto="mailto:unsub@example.org"))

    assert message["List-Unsubscribe"] == "<mailto:unsub@example.org>"
    assert "List-Unsubscribe-Post" not in message


def test_without_addresses_no_unsubscribe_is_offered() -> None:
    assert "List-Unsubscribe" not in parsed(EMAIL)


# RFC 3834 §5; RFC 5322 §3.6.4 for the two that name the mail answered.
def test_automatic_answer_names_the_mail_it_answers() -> None:
    answered = "<" + "x" * 120 + "@mail.example.org>"
    email = replace(EMAIL, auto="auto-replied", in_reply_to=answered)

    assert raw_header(email, "Auto-Submitted") == "auto-replied"
    assert raw_header(email, "In-Reply-To") == raw_header(email, "References") == answered
    assert raw_header(EMAIL, "Auto-Submitted") == "auto-generated"


@given(HEADER_TEXT)
def test_any_subject_arrives_as_written(subject: str) -> None:
    line = raw_header(replace(EMAIL, subject=subject), "Subject")

    assert str(make_header(decode_header(line))) == subject


@given(HEADER_TEXT.map(str.strip).filter(lambda name: not re.search(r'[<>"\\]', name)))
def test_any_display_name_arrives_as_written(name: str) -> None:
    name = re.sub(r"\s+", " ", name)
    line = raw_header(replace(EMAIL, sender=f"{name} <a@example.org>"), "From")

    shown, address = parseaddr(line)
    assert str(make_header(decode_header(shown))) == name
    assert address == "a@example.org"


# RFC 5322 §2.1.1 (998, 78), RFC 2047 §2 (76), RFC 2045 §6.7 and §6.8 (76). Only an address may be longer.
@given(HEADER_TEXT, st.text(st.characters(exclude_categories=["Cs"]), max_size=2000))
def test_lines_keep_their_limits(subject: str, body: str) -> None:
    octets = build(replace(EMAIL, subject=subject, body_markdown=body, calendar=CALENDAR))

    lines = octets.split(b"\r\n")
    assert max(map(len, lines)) <= 78
    assert not [line for line in lines if b"\n" in line or b"\r" in line]
    assert octets.isascii()


def test_long_address_stays_within_the_hard_limit() -> None:
    email = replace(EMAIL, unsubscribe_url="https://practice.example.org/u/" + "A" * 900)

    assert 900 < max(map(len, build(email).split(b"\r\n"))) <= 998


@pytest.mark.parametrize("field", ["sender", "recipient", "reply_to", "subject", "in_reply_to", "message_id"])
@pytest.mark.parametrize("broken", ["\r\nBcc: x@example.org", "\n", "\r", "\x00", "\x85", "\u2028", "\ud800"])
def test_line_break_in_a_header_is_refused(field: str, broken: str) -> None:
    values = {"in_reply_to": "<a@example.org>", "reply_to": "a@example.org"}
    value = values.get(field) or getattr(EMAIL, field)

    with pytest.raises(InputError, match=f"^{field}: "):
        build(replace(EMAIL, **{field: value + broken}))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "address",
    [
        "", "ana", "@example.org", "ana@", "a@example.org, b@example.org", "a@b@example.org", "añá@example.org",
        "ana@exámple.org", "a..b@example.org", "Ana <ana@example.org", "ana@example.org>",
    ],
)  # fmt: skip
def test_what_is_not_one_address_is_refused(address: str) -> None:
    with pytest.raises(InputError, match="recipient: is not one e-mail address") as refused:
        build(replace(EMAIL, recipient=address))
    assert not address or "ana" not in str(refused.value)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("unsubscribe_url", "http://practice.example.org/u"),
        ("unsubscribe_url", "https://practice.example.org/u>,<https://evil.example.org"),
        ("unsubscribe_url", "https://practice.example.org/ü"),
        ("unsubscribe_url", "https://practice.example.org/" + "a" * 1000),
        ("unsubscribe_mailto", "unsub@example.org"),
        ("in_reply_to", "17@example.org"),
        ("in_reply_to", "<17@example.org> <18@example.org>"),
        ("message_id", "17 soak"),
        ("message_id", ""),
        ("language", "xx-unknown"),
        ("language", ""),
        ("date", datetime(2026, 3, 7)),  # noqa: DTZ001  the missing offset is what is refused
        ("body_markdown", "half \ud800"),
    ],
    ids=lambda value: str(value)[:30].encode("ascii", "replace").decode(),
)
def test_value_that_can_not_stand_is_refused(field: str, value: object) -> None:
    with pytest.raises(InputError):
        build(replace(EMAIL, **{field: value}))  # type: ignore[arg-type]


@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\r\n")))
def test_escaped_value_is_shown_as_it_is(value: str) -> None:
    body = f"Hello >{escape_markdown(value)}<"

    assert plain_text(body) == f"Hello >{value}<\n"
    page = read(html(body, language="en", title="t"))
    assert f"Hello >{value}<" in page.text
    assert page.tags == read(html("x", language="en", title="t")).tags


@pytest.mark.parametrize("value", ["1. one", "- item", "# head", "    code", "***", "> quote", "=== ", "a\n\n- b"])
def test_escaped_value_begins_no_block(value: str) -> None:
    page = html(escape_markdown(value), language="en", title="t")

    assert read(page).tags.count("p") == 1
    assert not {"ol", "ul", "h1", "pre", "hr", "blockquote"} & set(read(page).tags)


def test_plain_text_drops_marks_and_keeps_lists() -> None:
    markdown = (
        "Hello **Ana**,\nsecond *line*.\n\n- soak\n- pat **dry**\n  well\n  1. pat\n  2. wait\n\n"
        "3. first\n\n   more\n\n4. next\n\n[Your page](https://practice.example.org/p) 5 \\* 3 = 15\n"
    )

    assert plain_text(markdown) == (
        "Hello Ana,\nsecond line.\n\n- soak\n- pat dry\n  well\n  1. pat\n  2. wait\n\n"
        "3. first\n\n   more\n\n4. next\n\nYour page (https://practice.example.org/p) 5 * 3 = 15\n"
    )


@given(st.text(st.sampled_from("ab1*-.)_\\[]( \t\n\n\n"), max_size=60))
def test_a_body_read_in_parts_is_the_body_as_a_whole(body: str) -> None:
    assert body_html(body) == email_body._PARSER.render(body)


def test_empty_body_is_empty_text() -> None:
    assert plain_text("") == plain_text(" \n\n") == ""


@pytest.mark.parametrize(
    "markdown",
    [
        "<b>x</b>", "<script>x</script>", "![x](https://example.org/x.png)", "https://example.org", "www.example.org",
        "[x](javascript:x)", "[x](http://example.org)", "[x](data:text/html,x)", "<https://example.org>", "&lt;b&gt;",
    ],
)  # fmt: skip
def test_what_is_not_simple_markdown_is_shown_as_text(markdown: str) -> None:
    page = read(html(f"{markdown} end", language="en", title="t"))

    assert not {"b", "script", "img"} & set(page.tags)
    assert {value for name, value in page.attributes if name in {"href", "src"}} <= {"https://example.org/x.png"}
    assert "end" in page.text


@pytest.mark.parametrize(
    ("language", "direction"), [("en", "ltr"), ("es-MX", "ltr"), ("zh-Hans", "ltr"), ("ar", "rtl"), ("fa", "rtl")]
)
def test_page_names_its_language_and_direction(language: str, direction: str) -> None:
    page = html("x", language=language, title="t")

    assert f'<html lang="{language}" dir="{direction}">' in page


def test_title_can_not_break_out() -> None:
    page = read(html("x", language="en", title='</title><b a="$body">'))

    assert "b" not in page.tags


# WCAG 2.2 SC 1.4.4 (resize text) and 1.4.10 (reflow): nothing sized in pixels, nothing fetched.
def test_page_is_relative_and_self_contained() -> None:
    page = html("x", language="en", title="t")

    assert not re.findall(r"\d(?:px|pt)\b|@import|url\(|<link|<img|<script|\bsrc=", page)


def _luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# WCAG 2.2 SC 1.4.6 (enhanced contrast): 7 to 1.
@pytest.mark.parametrize("rule", [r"<main[^>]*", r"\n  \.sheet {[^}]*"], ids=["light", "dark"])
def test_text_stands_out_in_light_and_dark(rule: str) -> None:
    found = re.search(rule, html("x", language="en", title="t"))
    assert found
    ground, ink = (
        re.findall(rf"[ {{\"]{name}: (#[0-9a-f]{{6}})", found.group())[0] for name in ("background-color", "color")
    )

    light, dark = sorted((_luminance(ground), _luminance(ink)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 7


def test_measuring_a_text_does_not_load_the_mail_parts() -> None:
    code = "import sys, reminders.wording.sms; print({'markdown_it', 'babel', 'email'} & set(sys.modules))"
    root = Path(__file__).parents[2]

    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)

    assert shown.stdout.strip() == "set()"


def test_dates_in_utc_are_kept() -> None:
    assert raw_header(replace(EMAIL, date=datetime(2026, 3, 8, 3, tzinfo=UTC)), "Date") == (
        "Sun, 08 Mar 2026 03:00:00 +0000"
    )
