"""How patients' spelling is brought to one form: case, accents, apostrophes, stretched letters, sound and slips."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import lru_cache

from rapidfuzz.distance import OSA

_LONGEST_WORD = 40  # a longer "word" is noise; the cut keeps look-ups cheap
_HIDDEN = re.compile("[\u00ad\u200b-\u200f\u2060\ufe0e\ufe0f'’`´]")
_LETTERS = str.maketrans("đĐłŁøØıæœ", "ddllooiao")  # letters that Unicode does not decompose
_STRETCHED = re.compile(r"(.)\1{2,}")
_SPANISH_SOUNDS = (
    (re.compile(r"^h|(?<=[^cs])h"), ""),
    (re.compile(r"qu(?=[ei])|q"), "k"),
    (re.compile(r"c(?=[eiy])|z"), "s"),
    (re.compile(r"c(?!h)"), "k"),
    (re.compile(r"v"), "b"),
    (re.compile(r"ll"), "y"),
    (re.compile(r"g(?=[ei])"), "j"),
    (re.compile(r"([^r])\1+"), r"\1"),
    (re.compile(r"(?<=..)ao(?=s?$)"), "ado"),
)


_SHORTEST_ELIDED = 6
_ELIDED, _VOWELS = frozenset("cdjlmnst"), frozenset("aeiouh")
_SHORTHAND = {
    "q": "que",
    "k": "que",
    "xq": "porque",
    "pq": "porque",
    "xk": "porque",
    "pa": "para",
    "bn": "bien",
    "tb": "tambien",
    "tmb": "tambien",
    "toy": "estoy",
    "tamos": "estamos",
    "dnd": "donde",
    "msj": "mensaje",
    "msjs": "mensajes",
}
"""What Spanish texts leave out of their commonest words."""
_CONTRACTED = {
    slip: right
    for right, slips in {
        "doesnt": "dosent dosnt doesent doesn dosen doesnot dsnt",
        "dont": "dnt donot dont'",
        "didnt": "didint didn didnot ddnt dident",
        "wont": "wount wonnt willnot",
        "cant": "cannt cnt cantt canot",
        "isnt": "isent isn isnot",
        "hasnt": "hasent hasn",
        "havent": "havnt haven havent'",
        "couldnt": "couldent couldn cudnt",
        "wouldnt": "wouldent wouldn",
        "wasnt": "wasent wasn",
    }.items()
    for slip in slips.split()
}
"""Slips in shortened negations, which decide more than other words."""
_ACCENT_COUNTS = {"sí": "sii", "uña": "unia", "uñas": "unias"}
"""Words that without their accent are another, common one: yes and "if", nail and "a"."""
_APOSTROPHE_COUNTS = {f"i{mark}ll": "iwill" for mark in "'’`´"}
"""The one that without its apostrophe is another word: ill."""


@lru_cache(maxsize=65536)
def fold(word: str) -> str:
    """Lower case without accents, apostrophes, hidden characters or letters stretched beyond two.

    The first 40 letters are kept. `Año` gives `ano`, `DON’T` gives `dont`, `helllllp` gives `hellp`.
    """
    word = word[:_LONGEST_WORD]
    if len(word) == 4 and (kept := _APOSTROPHE_COUNTS.get(word.casefold())):
        return kept
    if not word.isascii() and (kept := _ACCENT_COUNTS.get(word.casefold())):
        return kept
    if not word.isascii():
        parts = unicodedata.normalize("NFKD", word)
        word = "".join(c for c in parts if not unicodedata.combining(c))
        word = word.translate(_LETTERS)
    folded = word.casefold()
    if not folded.isalpha():
        folded = _HIDDEN.sub("", folded)
    folded = _STRETCHED.sub(r"\1\1", folded)
    return _CONTRACTED.get(folded, folded)


@lru_cache(maxsize=65536)
def spanish_sound(word: str) -> str:
    """Spell a folded word by its sound, so that `inchado` meets `hinchado` and `aser` meets `hacer`.

    Standard Latin American pronunciation: silent h, b = v, s = z = soft c, y = ll, soft g = j;
    and of the Caribbean and the south, -ao = -ado, so that `mojao` meets `mojado`.
    """
    word = _SHORTHAND.get(word, word)
    for pattern, sound in _SPANISH_SOUNDS:
        word = pattern.sub(sound, word)
    return word


def without_elision(word: str) -> str:
    """Give a folded word without the article or pronoun that French and Italian join to it, "" when it has none.

    `d'urticaire` is folded to `durticaire`.
    """
    joined = len(word) >= _SHORTEST_ELIDED and word[0] in _ELIDED and word[1] in _VOWELS
    return word[1:] if joined else ""


def shortened(word: str) -> Iterator[str]:
    """Every form of the word with one letter left out."""
    return (word[:at] + word[at + 1 :] for at in range(len(word)))


class NearMisses:
    """Finds the known word that an unknown one is a slip away from.

    An index of deletions (W. Garbe, "Symmetric Delete", 2012) makes the search independent of the number of
    known words; the distance is optimal string alignment, in which a swapped pair of letters is one slip.
    """

    def __init__(self, words: Iterable[str]) -> None:
        self._index: dict[str, list[str]] = {}
        for word in sorted(set(words)):
            if len(word) >= 4:
                for form in {word, *shortened(word)}:
                    self._index.setdefault(form, []).append(word)

    def near(self, word: str) -> Iterator[str]:
        """Every known word one slip away."""
        for form in (word, *shortened(word)):
            for known in self._index.get(form, ()):
                if OSA.distance(known, word, score_cutoff=1) <= 1:
                    yield known


def meant_by(word: str, near: Iterable[str]) -> set[str]:
    """Give those of the known words one slip away that an unknown one may be a slip for: they begin alike.

    Of four letters, only a swapped pair or a letter left out inside: short words are too close to each other.
    """
    if len(word) < 4:
        return set()
    alike = {known for known in near if known[0] in word[:2]}
    if swapped := {known for known in alike if sorted(known) == sorted(word)}:
        return swapped
    if len(word) > 4:
        return alike
    return {known for known in alike if len(known) == 5 and known[0] == word[0] and known[-1] == word[-1]}
