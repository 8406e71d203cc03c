"""Knows which neighbouring characters a reader sees as one, so that a cut falls beside them.

The rules are those of Unicode Standard Annex 29 (grapheme clusters, GB3 to GB13), kept a little wider where
that is simpler: what stands together there stands together here. The standard library has the character
categories but no clusters, and the libraries that have them take longer to import than the rest of a send.
"""

from __future__ import annotations

import unicodedata

_VIRAMA_CLASS = 9
"""Canonical combining class of the signs that join two consonants of an Indic script."""

_JOINER = "\N{ZERO WIDTH JOINER}"

_EXTENDING = frozenset(
    {
        "\N{THAI CHARACTER SARA AM}",
        "\N{LAO VOWEL SIGN AM}",
        "\N{HALFWIDTH KATAKANA VOICED SOUND MARK}",
        "\N{HALFWIDTH KATAKANA SEMI-VOICED SOUND MARK}",
        "\N{ZERO WIDTH NON-JOINER}",
        _JOINER,
        *map(chr, range(0x1F3FB, 0x1F400)),  # skin tones
        *map(chr, range(0xE0020, 0xE0080)),  # tags of subdivision flags
    }
)

_LEADING = frozenset(
    # Letters written over the next one, as Malayalam's; the table of UAX 29 has no category for them.
    f"{_JOINER}\u0d4e\U000111c2\U000111c3\U0001193f\U00011941\U00011a84\U00011a85\U00011a86\U00011a87"
    "\U00011a88\U00011a89\U00011d46"
)


def clusters(text: str) -> tuple[str, ...]:
    """Return the grapheme clusters of `text` in order; they join to `text` again, and "" has none."""
    found: list[str] = []
    for char in text:
        if found and _continues(found[-1], char):
            found[-1] += char
        else:
            found.append(char)
    return tuple(found)


def _continues(cluster: str, char: str) -> bool:
    last = cluster[-1]
    if char in _EXTENDING or unicodedata.category(char).startswith("M"):
        return True
    # Other format characters are the number signs of Arabic scripts, which enclose what follows.
    if last in _LEADING or (unicodedata.category(last) == "Cf" and last not in _EXTENDING):
        return True
    if unicodedata.combining(last) == _VIRAMA_CLASS:
        return True
    if _is_regional_indicator(char):
        return len(cluster) == 1 and _is_regional_indicator(last)
    return (cluster == "\r" and char == "\n") or _joins_syllable(last, char)


def _is_regional_indicator(char: str) -> bool:
    return "\U0001f1e6" <= char <= "\U0001f1ff"


def _joins_syllable(last: str, char: str) -> bool:
    """Tell whether two Hangul letters belong to one syllable."""
    if "\u1160" <= char <= "\u11ff" or "\ud7b0" <= char <= "\ud7fb":
        return True
    return _is_leading_jamo(last) and (_is_leading_jamo(char) or "\uac00" <= char <= "\ud7a3")


def _is_leading_jamo(char: str) -> bool:
    return "\u1100" <= char <= "\u115f" or "\ua960" <= char <= "\ua97c"
