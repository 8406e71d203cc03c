"""What a telephone shows while it is locked, and what a text message holds at all: as little as the purpose allows.

45 CFR 164.502(b), minimum necessary. A locked screen shows about 40 characters of a text, of an e-mail its sender and
subject, and often its first words (common practice, no source). `check` proves that no text message and no subject
names body, illness, procedure or substance (`wording/review/characters.py`); medicines may stand in a text, but not
where they are shown first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

import pytest

from reminders.care.values import Channel
from reminders.wording.review.word_lists import pattern_of, read_word_lists
from tests.build import PLANS
from tests.library.shelf import PROCEDURES, SENDER, Said, plan_named, said

SHOWN = 40
KINDS = ("nobody special", "everything")


@cache
def telling(procedure: str, language: str) -> tuple[re.Pattern[str], ...]:
    """What finds the words that no locked screen may show."""
    lists = read_word_lists(language, folder=PLANS / procedure, shared=PLANS / "shared")
    private = [group for words in lists.private for group in (*(each for _, each in words.groups()), words.first_line)]
    return (*map(pattern_of, private), *(each.named for each in lists.medicines.values()))


def told(procedure: str, language: str, text: str, *, shown: int = SHOWN) -> list[str]:
    """The words that begin in what is shown and tell others why; how the practice calls itself is its own choice."""
    rest = text.replace(SENDER.practice_name, "x" * len(SENDER.practice_name))
    found = (each for pattern in telling(procedure, language) for each in pattern.finditer(rest))
    return [each[0] for each in found if each.start() < shown]


@cache
def texts(procedure: str, channel: Channel) -> tuple[tuple[str, Said], ...]:
    """Every text of a plan in every language that it is written in, with the language."""
    return tuple(_texts(procedure, channel))


def _texts(procedure: str, channel: Channel) -> Iterator[tuple[str, Said]]:
    plan = plan_named(procedure)
    for language in plan.file.languages:
        for kind in KINDS:
            factors = () if kind == "nobody special" else [name for name in plan.file.factors if name != "child"]
            for each in said(procedure, language=language, channel=channel, factors=factors):
                yield language, each


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_the_first_words_of_a_text_message_tell_others_nothing(procedure: str) -> None:
    for language, each in texts(procedure, Channel.SMS):
        assert told(procedure, language, each.rendered.text) == []


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_subject_and_first_words_of_an_e_mail_tell_others_nothing(procedure: str) -> None:
    for language, each in texts(procedure, Channel.EMAIL):
        subject = each.rendered.subject or ""
        assert told(procedure, language, subject, shown=len(subject)) == []
        assert told(procedure, language, " ".join(each.rendered.text.split())) == []


@pytest.mark.parametrize("procedure", PROCEDURES)
def test_a_text_message_says_neither_who_nor_when_born(procedure: str) -> None:
    """Of the identifiers of 45 CFR 164.514(b)(2) a text holds days to come and the practice's own numbers."""
    numbers = (SENDER.practice_phone, SENDER.after_hours_phone, SENDER.emergency_number)
    for _, each in texts(procedure, Channel.SMS):
        body = each.body
        for number in filter(None, numbers):
            body = body.replace(number, "")
        assert "Ana" not in body
        assert not re.search(r"\b(19|20)\d\d\b|\d{6,}|@|https?:", body), body


def test_the_search_would_find_a_word() -> None:
    found = told("partial-nail-avulsion-chemical", "en", "Ibuprofen for your toe, after surgery; later on also pus")
    assert sorted(found) == ["Ibuprofen", "surgery", "toe"]
