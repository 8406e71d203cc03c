"""Which language a reply is written in, and the words to read it with."""

from __future__ import annotations

from reminders.replies.lexicon import Lexicon, lexicon


def language_of(text: str, chosen: str) -> str:
    return "en"


def words_of(language: str) -> Lexicon:
    """The compiled words of a language."""
    return lexicon("en", "emoji")
