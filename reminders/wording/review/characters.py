"""What a text must not hold as it leaves: marks of an unfinished template, private words, costly characters."""

from __future__ import annotations

import re
from collections.abc import Iterator

from reminders.sentences import english
from reminders.wording.review.flaws import Flaw
from reminders.wording.review.word_lists import WordLists, pattern_of
from reminders.wording.sms import Encoding, costly_characters, measure, substitute_typography

SHOWN_LOCKED = 60
"""Characters of a message that a locked screen shows at least (common practice, no source)."""

_UNFINISHED = re.compile(r"\{\{|\}\}|\{%|%\}|\{#|#\}|\{\s*\w+\s*\}|\bNone\b|\bUndefined\b|<\w+ object")
_PHONE = re.compile(r"\+?\(?\d[\d\s().\-]{5,}\d")
_ADDRESS = re.compile(r"\S+@\S+\.\w+|https?://\S+|\bwww\.\S+")

_SHOWN = {
    "it": english("it {kind}: {found!r}; a locked screen shows it to others"),
    "the subject": english("the subject {kind}: {found!r}; a locked screen shows it to others"),
}


def unfinished_flaws(text: str) -> Iterator[Flaw]:
    """Yield each trace of a template that was not filled."""
    for found in _UNFINISHED.finditer(text):
        yield Flaw(
            rule="unrendered",
            message=english("{found!r} is left of a template").format(found=found[0]),
            snippet=found[0],
        )


def private_flaws(text: str, lists: WordLists, *, where: str) -> Iterator[Flaw]:
    """Yield each word in an SMS or a subject that tells others about the patient's body or illness."""
    for words in lists.private:
        for kind, group in words.groups():
            for found in pattern_of(group).finditer(text):
                message = _SHOWN[where].format(kind=kind, found=found[0])
                yield Flaw(rule="private_word", message=message, snippet=found[0])


def first_line_flaws(text: str, lists: WordLists, *, practice_name: str) -> Iterator[Flaw]:
    """Yield what a locked screen should not show, or should but does not: who writes."""
    shown = text.partition("\n")[0][:SHOWN_LOCKED]
    if not text.startswith(practice_name):
        yield Flaw(rule="first_line", message=english("does not begin with the practice's name"))
    for words in lists.private:
        for found in pattern_of(words.first_line).finditer(shown):
            message = english("the first line says {line!r}; a locked screen shows it to others").format(line=found[0])
            yield Flaw(rule="first_line", message=message, snippet=found[0])


def contact_flaws(text: str, *, known: tuple[str, ...]) -> Iterator[Flaw]:
    """Yield each telephone number or address that stands in the text itself and is none of the practice's."""
    rest = text
    for number in filter(None, known):
        rest = rest.replace(number, " ")
    for found in _PHONE.finditer(rest):
        if sum(map(str.isdigit, found[0])) >= 7:
            message = english("{found!r} is no number of the practice; use {{{{ practice_phone }}}}").format(
                found=found[0].strip()
            )
            yield Flaw(rule="personal_detail", message=message, snippet=found[0].strip())
    for found in _ADDRESS.finditer(rest):
        yield Flaw(
            rule="personal_detail",
            message=english("holds the address {found!r}").format(found=found[0]),
            snippet=found[0],
        )


def coding_flaws(text: str) -> Iterator[Flaw]:
    """Yield what makes an SMS cost more than it needs: typographic signs, or one single letter."""
    plain = substitute_typography(text)
    if plain != text:
        sign = next(char for char, other in zip(text, plain, strict=False) if char != other)
        cheaper = measure(plain).encoding is Encoding.GSM7
        message = (
            english("the typographic {sign!r} makes every part hold 70 characters, not 160").format(sign=sign)
            if cheaper
            else (english("the typographic {sign!r} is not needed in a text message").format(sign=sign))
        )
        yield Flaw(rule="typographic", message=message, snippet=sign, notice=not cheaper)
    costly = costly_characters(plain)
    if len({each.character for each in costly}) == 1:
        first = costly[0]
        message = english("{character!r} ({name}) alone makes every part hold 70 characters, not 160").format(
            character=first.character, name=first.name.lower()
        )
        yield Flaw(rule="costly_character", message=message, snippet=first.character, notice=True)
