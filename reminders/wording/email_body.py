"""Knows how a message written in simple Markdown reads as plain text and as an HTML page.

Simple means: paragraphs, bullet and numbered lists, `**bold**`, `*emphasis*`, and links written out with
their text. Everything else, raw HTML included, is shown as the characters it is.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from pathlib import Path

from babel.core import Locale, UnknownLocaleError
from markdown_it import MarkdownIt
from markdown_it.token import Token

from reminders.errors import InputError
from reminders.sentences import english

_FRAME = string.Template(Path(__file__).with_name("data").joinpath("email.html").read_text(encoding="utf-8"))
_PREVIEW = string.Template(
    '<div aria-hidden="true" style="display: none; max-height: 0; overflow: hidden;">$words\n'
    + ("&#847;&zwnj;&nbsp;" * 20 + "\n") * 5  # nothing to see, but it fills the line, or the first words would follow
    + "</div>\n"
)
"""Common practice in mails, no source."""
_LINK_SCHEMES = ("https://", "tel:", "mailto:")
_PUNCTUATION = re.compile(f"([{re.escape(string.punctuation)}])")
_NEW_PARAGRAPH = re.compile(r"\n(?:[ \t]*\n)+(?=\S)(?![-+*]|\d)")
"""Where what follows has nothing to do with what stands before: it is neither within a list nor begins an item."""
_EMPTY_LINES = re.compile(r"\n{3,}")
_LINE_BREAKS = re.compile(r"[\r\n]+")


def escape_markdown(value: str) -> str:
    """Return `value` so that it stands in a body as it is, whatever it holds; "" for "".

    For values put into a template: a patient called `[x](http://evil)` or `<b>` is shown by that name.
    Line breaks become spaces, because a value is never allowed to begin a paragraph or a list.
    """
    return _PUNCTUATION.sub(r"\\\1", _LINE_BREAKS.sub(" ", value))


def plain_text(markdown: str) -> str:
    """Return the body without its marks; list items begin with "- " or their number. "" for "".

    Line ends inside a paragraph stay where the author put them. A link is its text, then its address in
    parentheses. Ends with a line end unless empty.
    """
    text = "".join(part.plain for part in _parts(markdown)).strip("\n")
    return _EMPTY_LINES.sub("\n\n", text) + "\n" if text else ""


def html(markdown: str, *, language: str, title: str, preview: str = "") -> str:
    """Return a whole HTML page for the body: no images, no scripts, nothing fetched.

    A list of mails shows `preview`, hidden in the page, in place of the first words, if it goes by the HTML part.

    Light and dark follow the reader's setting, all sizes are relative, `lang` and `dir` follow the language.
    InputError for a language tag that CLDR does not have.
    """
    return _FRAME.substitute(
        language=escape(language),
        direction=_direction(language),
        title=escape(title),
        preview=_PREVIEW.substitute(words=escape(preview)) if preview else "",
        body=body_html(markdown),
    )


def body_html(markdown: str) -> str:
    """Return the body as HTML that stands in a page; whatever markup a value held is shown as characters."""
    return "".join(part.html for part in _parts(markdown))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Part:
    """Some paragraphs of a body; put together they make the whole."""

    plain: str
    html: str


def _parts(markdown: str) -> list[_Part]:
    """Return a body part by part, as most of what one patient is told was told to others, and is known already."""
    return [_part(each) for each in _NEW_PARAGRAPH.split(markdown)]


@lru_cache(maxsize=1024)
def _part(markdown: str) -> _Part:
    tokens = _PARSER.parse(markdown)
    html = str(_PARSER.renderer.render(tokens, _PARSER.options, {}))
    return _Part(plain="".join(_plain_blocks(tokens)), html=html)


@lru_cache(maxsize=64)
def _direction(language: str) -> str:
    try:
        return Locale.parse(language, sep="-").text_direction
    except (UnknownLocaleError, ValueError):
        raise InputError(
            english("language: {language!r} is not a known language tag").format(language=language)
        ) from None


def _plain_blocks(tokens: Sequence[Token]) -> Iterator[str]:
    """Yield each paragraph with its list mark, indent and line ends."""
    depth = 0
    mark = ""
    ending = "\n\n"
    for token in tokens:
        if token.type in {"bullet_list_open", "ordered_list_open"}:
            depth += 1
        elif token.type in {"bullet_list_close", "ordered_list_close"}:
            depth -= 1
            yield "" if depth else "\n"
        elif token.type == "list_item_open":
            mark = f"{token.info}. " if token.info else "- "
        elif token.type == "paragraph_open":
            ending = "\n" if token.hidden else "\n\n"  # hidden: the items stand close together
        elif token.type == "inline":
            first = "  " * (depth - 1) + mark
            rest = " " * len(first) if depth else ""
            yield first + _plain_inline(token.children or ()).replace("\n", "\n" + rest) + ending
            mark = " " * len(mark)
        if not depth:
            mark = ""


def _plain_inline(tokens: Sequence[Token]) -> str:
    shown = []
    address = ""
    for token in tokens:
        if token.type in {"softbreak", "hardbreak"}:
            shown.append("\n")
        elif token.type == "link_open":
            address = str(token.attrGet("href"))
        elif token.type == "link_close":
            shown.append(f" ({address})")
        else:
            shown.append(token.content)
    return "".join(shown)


def _parser() -> MarkdownIt:
    parser = MarkdownIt("zero").enable(["list", "emphasis", "escape", "newline", "link"])
    parser.validateLink = lambda url: url.startswith(_LINK_SCHEMES)  # type: ignore[method-assign]
    return parser


_PARSER = _parser()
