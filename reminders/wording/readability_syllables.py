"""Knows how many syllables an English or Spanish word has.

English spelling does not say it: rules first, then data/syllables_en.csv for the words of patient texts that
the rules get wrong. Spanish spelling does (Real Academia Española, Ortografía de la lengua española, 2010,
ch. II §3.4, from memory): a rule for each case and no exceptions.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from functools import lru_cache
from pathlib import Path

_FIGURE = re.compile(r"\d|://|@|^www\.")


@lru_cache(maxsize=8192)  # patient texts say the same words again and again
def english_syllables(word: str) -> int:
    """Return the syllables of one English word, at least 1; parts joined by a hyphen or slash are added.

    A figure, a telephone number, a web or mail address counts 1: these are not what makes a text hard
    (Flesch, How to write plain English, 1979, leaves lengthy figures out; from memory).
    """
    if _FIGURE.search(word):
        return 1
    plain = unicodedata.normalize("NFKD", word.lower().replace("’", "'"))
    parts = re.findall(r"[a-z]+(?:'[a-z]+)?", "".join(char for char in plain if not unicodedata.combining(char)))
    return max(1, sum(map(_english_part, parts)))


@lru_cache(maxsize=8192)
def spanish_syllables(word: str) -> int:
    """Return the syllables of one Spanish word, at least 1; a figure or address counts 1, as in English."""
    if _FIGURE.search(word):
        return 1
    letters = unicodedata.normalize("NFC", word.lower())
    letters = re.sub(r"qu(?=[eiéí])|gu(?=[eiéí])", "g", letters)  # a silent u
    letters = re.sub(r"(?<!c)h", "", letters)  # silent too: it parts no diphthong
    letters = re.sub(r"y(?![aeiouáéíóúü])", "i", letters)  # as in muy, hay
    return max(1, len(_SPANISH_NUCLEUS.findall(letters)))


_SPANISH_NUCLEUS = re.compile(
    r"[iuü]?[aeoáéó](?:[iuü](?![aeoáéó]))?"  # an open vowel with its weak neighbours
    r"|i[uúü]|[uü][ií]|[iuüíú]"  # two different weak vowels, or one alone
)


def _english_part(part: str) -> int:
    word, _, ending = part.partition("'")
    if ending == "t":
        word = word.removesuffix("n")
    spoken = next((1 for end, after in _SPOKEN_ENDINGS if end == ending and after.search(word)), 0)
    return (_EXCEPTIONS.get(word) or _english_word(word)) + spoken


# Contractions that are a syllable of their own, and after what: nurse's, couldn't, it'll, could've.
_SPOKEN_ENDINGS = (
    ("s", re.compile(r"(?:[sxz]|[cs]h|[cgsz]e)$")),
    ("t", re.compile(r"(?:[dst]|ve)$")),
    ("ll", re.compile(r"[dt]$")),
    ("ve", re.compile(r"[dt]$")),
)


def _english_word(word: str) -> int:
    ending = ""
    if found := _SUFFIX.search(word):
        word, ending = word[: found.start()], found.group()
    count = len(_VOWELS.findall(word))
    count += sum(len(rule.findall(word)) for rule in _MORE)
    count -= sum(len(rule.findall(word)) for rule in _FEWER)
    return max(1, count) + len(_VOWELS.findall(ending))


_VOWELS = re.compile(r"[aeiouy]+")

# Endings that leave the silent e before them silent, as in safely or useless.
_SUFFIX = re.compile(r"(?<=[^aeiouy]e)(?:ful|less|ness|ly)+$|(?<=[^aeiouyl]e)ments?$")

_MORE = tuple(
    re.compile(rule)
    for rule in (
        r"[^aeiouylr]le[sd]?$",  # table, settled
        r"[dt]ed$",  # added, lasted
        r"(?:[szx]|[cs]h|[cg])es$",  # washes, bandages
        r"(?<![tcsl])ia(?!r$)|lia(?!n|r$)|[cst]iat",  # diabetes, associated; not partial, civilian
        r"(?<![tscgxhln])io(?!r$)|prio",  # period; not lotion, million, behavior
        r"iu|eum|uou",  # sodium, petroleum, continuous
        r"(?<![qg])ua(?!r)",  # usual; not quarter, guard
        r"[^aeiou]ie(?:r|st)$|iet(?!h)|(?<![tc])ient",  # easier, quiet, ingredient; not patient
        r"creat(?!ure)|area|idea|react",
        r"[yeou]ing",  # drying, seeing, going
        r"(?<=[aeiou])y(?!ed$)(?=[aeou])",  # layer, beyond
        r"sms?$|thms?$",  # mechanism, rhythm
    )
)
_FEWER = tuple(
    re.compile(rule)
    for rule in (
        r"[^aeiouy](?:e|es|ed)$",  # take, takes, soaked
        r"^some(?=.)|^every|^there(?=.)|^where(?=.)",  # something, everything, therefore
        r"ically$",
    )
)


def _exceptions() -> dict[str, int]:
    path = Path(__file__).with_name("data") / "syllables_en.csv"
    with path.open(encoding="ascii", newline="") as lines:
        return {row["word"]: int(row["syllables"]) for row in csv.DictReader(lines)}


_EXCEPTIONS = _exceptions()
