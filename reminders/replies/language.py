"""Which language a reply is written in, and the words to read it with."""

from __future__ import annotations

import re
from functools import lru_cache

from reminders.replies.lexicon import Lexicon, lexicon
from reminders.replies.reading import Reading
from reminders.replies.remembering import Remembered
from reminders.replies.spelling import without_elision
from reminders.replies.vocabulary import vocabulary

READ = ("en", "es")
"""Languages the practice reads: a reply in one of them may be closed for any harmless content."""
OTHERS = ("ar", "de", "fr", "ht", "it", "ja", "ko", "pl", "pt", "ru", "tl", "vi", "zh")
"""Languages with a modest list of serious, thankful and control words."""
_ALL = (1 << len(READ)) - 1
_MOST = 60
_FOREIGN = re.compile("[^\x00-\x7fáéíóúüñÁÉÍÓÚÜÑ‘’ªº\u00ad\u200b-\u200f\ufe0f]")
"""A letter that neither English nor Spanish writes."""


def language_of(reading: Reading, chosen: str) -> str:
    """Name the language of most words: one code, or `en+es` and `es+en` when those two are mixed.

    `und` when no list knows the words.
    `chosen`, the language the patient picked, decides where the words don't, as in "no" or "7".
    """
    spoken = [token for token in reading.tokens if token.kind == "word"][:_MOST]
    if not spoken:
        return chosen
    known = [_READ_IN[token.word] for token in spoken]
    alone = [known.count(1 << at) for at in range(len(READ))]
    shared = known.count(_ALL)
    here = 1 if alone[1] > alone[0] or (alone[1] == alone[0] and chosen == READ[1]) else 0
    first = READ[here]
    found_here = alone[here] + shared
    if 0 in known:
        strange = [token.word for token, languages in zip(spoken, known, strict=True) if not languages]
        met = [name for word in strange for name in _OTHERS_WITH[word]]
        other = max(OTHERS, key=lambda name: (met.count(name), name == chosen)) if met else ""
        found = met.count(other)
        foreign = any(_FOREIGN.search(reading.text, token.start, token.end) for token in spoken)
        if found >= 2 or 3 * found >= max(1, found_here) or (found and foreign):
            return other
        if not found_here or foreign:
            return "und"
    # One word of the other may be the one that counts: "no más texts".
    return f"{first}+{READ[1 - here]}" if alone[1 - here] else first


def _read_in(word: str) -> int:
    """Tell which of the languages that the practice reads have the word."""
    return sum(1 << at for at, name in enumerate(READ) if vocabulary(name).knows(word))


def _others_with(word: str) -> tuple[str, ...]:
    known = [name for name in OTHERS if vocabulary(name).knows(word) or vocabulary(name).begins(word)]
    if not known and (bare := without_elision(word)):
        known = [name for name in OTHERS if vocabulary(name).knows(bare)]
    return tuple(known)


_READ_IN = Remembered(_read_in)
_OTHERS_WITH = Remembered(_others_with)


@lru_cache(maxsize=32)
def words_of(language: str) -> Lexicon:
    """Give the compiled words to read a language with; all but English and Spanish are read with all lists at once."""
    names = tuple(sorted(language.split("+")))
    if set(names) <= set(READ):
        return lexicon(*names, "emoji")
    return lexicon(*OTHERS, *READ, "emoji")
