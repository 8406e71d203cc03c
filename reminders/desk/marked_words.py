"""A reply cut into pieces, so that a page can mark the words in which a sign was found and say why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reminders.replies.labels import Evidence


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Some words of a reply in their order; all pieces together are the reply."""

    text: str
    found: Evidence | None = None
    """What was concluded from them; None when nothing was."""


def pieces_of(text: str, why: Sequence[Evidence]) -> tuple[Piece, ...]:
    """Return the reply in pieces; where evidence overlaps the longest comes first and the others are left out."""
    pieces: list[Piece] = []
    done = 0
    for one in sorted(why, key=lambda each: (each.start, -each.end)):
        if one.start < done or not one.start < one.end <= len(text):
            continue
        pieces += [Piece(text=text[done : one.start]), Piece(text=text[one.start : one.end], found=one)]
        done = one.end
    pieces.append(Piece(text=text[done:]))
    return tuple(each for each in pieces if each.text)


def reasons_of(why: Sequence[Evidence]) -> tuple[tuple[str, str], ...]:
    """Return what was concluded, as name and sentence, each once and in its order."""
    said = {(one.rule.partition(".")[2].replace("_", " ") or one.rule, one.note): None for one in why}
    return tuple(said)
