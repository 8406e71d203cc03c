"""Which language a reply is written in, and the words to read it with."""

from __future__ import annotations

import re
from functools import lru_cache

from reminders.replies.lexicon import Lexicon, lexicon
from reminders.replies.reading import Reading

READ = ("en", "es")
"""Languages the practice reads: a reply in one of them may be closed for any harmless content."""
OTHERS = ("ar", "de", "fr", "ht", "it", "ja", "ko", "pl", "pt", "ru", "tl", "vi", "zh")
"""Languages with a modest list of serious, thankful and control words."""
_MOST = 60
_FOREIGN = re.compile("[^\x00-\x7fáéíóúüñÁÉÍÓÚÜÑ‘’ªº\u00ad\u200b-\u200f\ufe0f]")
"""A letter that neither English nor Spanish writes."""


def language_of(reading: Reading, chosen: str) -> str:
    """Name the language of most words: one code, or `en+es` and `es+en` when those two are mixed.

    `und` when no list knows the words.
    `chosen`, the language the patient picked, decides where the words don't, as in "no" or "7".
    """
    spoken = [token for token in reading.tokens if token.kind == "word"][:_MOST]
    words = [token.word for token in spoken]
    if not words:
        return chosen
    known = {name: {at for at, word in enumerate(words) if lexicon(name).knows(word)} for name in READ}
    first = max(READ, key=lambda name: (len(known[name]), name == chosen))
    second = READ[1 - READ.index(first)]
    strange = [word for at, word in enumerate(words) if at not in known[first] and at not in known[second]]
    if strange:
        other = max(OTHERS, key=lambda name: (_count(name, strange), name == chosen))
        found = _count(other, strange)
        foreign = any(_FOREIGN.search(reading.text, token.start, token.end) for token in spoken)
        if found >= 2 or 3 * found >= max(1, len(known[first])) or (found and foreign):
            return other
        if not known[first] or foreign:
            return "und"
    apart = known[second] - known[first]
    if len(apart) >= 2 or (apart and 3 * len(apart) >= len(words)):
        return f"{first}+{second}"
    return first


def _count(name: str, words: list[str]) -> int:
    return sum(lexicon(name).knows(word) for word in words)


@lru_cache(maxsize=32)
def words_of(language: str) -> Lexicon:
    """Give the compiled words to read a language with; all but English and Spanish are read with all lists at once."""
    names = tuple(language.split("+"))
    if set(names) <= set(READ):
        return lexicon(*names, "emoji")
    return lexicon(*OTHERS, *READ, "emoji")
