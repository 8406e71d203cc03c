"""Finds what a mail says in words: of its plain part, else of its HTML, and how much else was attached."""

from __future__ import annotations

import re
from dataclasses import dataclass
from email.message import Message
from html.parser import HTMLParser

_SIGNATURES = {"application/pgp-signature", "application/pkcs7-signature", "application/x-pkcs7-signature"}
_BLOCKS = {"address", "blockquote", "center", "dd", "div", "dl", "dt", "h1", "h2", "h3", "h4", "h5", "h6", "hr", "li"}
_BLOCKS |= {"ol", "p", "pre", "table", "tr", "ul"}
_UNSEEN = {"head", "script", "style", "title"}


@dataclass(frozen=True, kw_only=True)
class Words:
    """What a mail says."""

    text: str
    """Lines end with one line feed; what was quoted in HTML begins with `> `."""
    attachments: int
    """Parts that are no text: photos, documents, mails; pictures within an HTML text and signatures do not count."""


def words_of(mail: Message) -> Words:
    """Return what a mail says; never raises, a mail without text gives "". A mail attached to it is not read."""
    found = _read(mail)
    return Words(text=found.text.replace("\r\n", "\n").replace("\r", "\n").strip(), attachments=found.attachments)


def _read(part: Message) -> Words:
    kind = part.get_content_type()
    if part.is_multipart() and kind.startswith("multipart/"):
        inner = [_read(each) for each in part.get_payload() if isinstance(each, Message)]
        if kind == "multipart/alternative":
            return _best(part, inner)
        text = "\n".join(each.text for each in inner if each.text.strip())
        return Words(text=text, attachments=sum(each.attachments for each in inner))
    if kind in _SIGNATURES or (kind.startswith("image/") and part.get("Content-ID") and not part.get_filename()):
        return Words(text="", attachments=0)
    if kind in {"text/plain", "text/html"} and part.get_content_disposition() != "attachment":
        text = _decoded(part)
        return Words(text=html_as_text(text) if kind == "text/html" else text, attachments=0)
    return Words(text="", attachments=1)


def _best(part: Message, inner: list[Words]) -> Words:
    """Return the plain one of several forms of the same text, unless it is empty."""
    kinds = [each.get_content_type() for each in part.get_payload() if isinstance(each, Message)]
    plain = [each for kind, each in zip(kinds, inner, strict=True) if kind == "text/plain"]
    filled = [each for each in (*plain, *inner) if each.text.strip()]
    attachments = max((each.attachments for each in inner), default=0)
    return Words(text=filled[0].text if filled else "", attachments=attachments)


def _decoded(part: Message) -> str:
    octets = part.get_payload(decode=True)
    if not isinstance(octets, bytes):
        return ""
    charset = part.get_content_charset() or "utf-8"
    for name in (charset, "utf-8"):
        try:
            return octets.decode(name)
        except (LookupError, ValueError):  # an unknown charset, one that is none, one that lies
            continue
    return octets.decode("cp1252", "replace")


def html_as_text(html: str) -> str:
    """Return the text of an HTML page, a line for each block; what a `blockquote` holds begins with `> `."""
    reader = _Reader()
    try:
        reader.feed(html)
        reader.close()
    except AssertionError:  # what the library says to some pages that are none
        return re.sub(r"<[^<>]*>", " ", html)
    return reader.text()


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._lines: list[tuple[int, str]] = []
        self._line: list[str] = []
        self._quoted = 0
        self._unseen = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002  the library's
        if tag in _UNSEEN:
            self._unseen += 1
        if tag == "body":
            self._unseen = 0  # a page that never closes its head is shown all the same
        if tag == "br" or tag in _BLOCKS:
            self._end_line(always=tag == "br")
        if tag == "blockquote":
            self._quoted += 1

    def handle_endtag(self, tag: str) -> None:
        if tag in _UNSEEN:
            self._unseen = max(0, self._unseen - 1)
        if tag in _BLOCKS:
            self._end_line(always=tag == "p")
        if tag == "blockquote":
            self._quoted = max(0, self._quoted - 1)

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            self._line.append(data)

    def text(self) -> str:
        self._end_line(always=False)
        return "\n".join(f"{'> ' if quoted else ''}{line}".rstrip() for quoted, line in self._lines)

    def _end_line(self, *, always: bool) -> None:
        line = " ".join("".join(self._line).split())
        self._line = []
        if line or always:
            self._lines.append((self._quoted, line))
