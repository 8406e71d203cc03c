"""How much of a reply is chatter: what may stand beside "all is well", or by itself, and need not be understood.

The likeness to replies that a person must read decides, learnt from labelled sets; on the sets of authors left out of
the learning, none of the serious replies was closed for it. What names something serious is never chatter.
"""

from __future__ import annotations

from typing import NamedTuple

from reminders.replies.finding import Findings
from reminders.replies.likeness import Likeness

ALARMING = (
    "dark",
    "bleed",
    "spurt",
    "swell",
    "red",
    "hot",
    "streak",
    "pus",
    "green",
    "thick",
    "cold",
    "foul",
    "numb",
    "faint",
    "confused",
    "vomit",
    "worse",
    "open",
    "bone",
    "harm",
)
"""Classes of words that name something serious whatever stands around them."""
SERIOUS = (
    *ALARMING,
    "concern",
    "breath",
    "chest",
    "heart",
    "face",
    "smell",
    "fever",
    "chills",
    "rash",
    "burn",
    "itch",
    "pain",
    "extreme",
    "cannot",
)
"""Classes of words beside which a reply is not closed, unless something understood covers them."""
_EVERYDAY = frozenset({"concern", "streak", "spurt", "face", "chest", "heart", "foul", "hot", "cold", "extreme"})
"""Those whose words are met in any talk: lines, a warm bath, a cold drink, off."""
_NAMED = tuple(name for name in SERIOUS if name != "concern")
_GRAVE = tuple(name for name in SERIOUS if name not in _EVERYDAY)
_PLAIN = ("close.fine", "close.dressed", "close.drainage")
"""What says that all is well so plainly that chatter beside it need not be understood; thanks stand beside anything."""
_TOLD = ("close.ack", "close.done", "close.keep")
_BESIDE_PLAIN, _BESIDE_TOLD, _BESIDE_OTHER, _ALONE, _CALM = 0.4, 0.0, -0.3, -0.5, -0.65
"""Likeness below which it is chatter: beside "all is well", beside what is done or promised, beside thanks, by itself;
and so calm that even drainage, or a word that turns, does not count."""
_WAIVED = frozenset({"drainage"})
_NOTHING: frozenset[str] = frozenset()
_LEAST_WORDS = 3


class Chatter(NamedTuple):
    """What chatter there is in a reply."""

    plain: bool
    """Something says plainly that all is well."""
    unread: bool
    """Words that are not understood may be taken for chatter."""
    enough: bool
    """No word need say that things are well."""
    named: tuple[str, ...]
    """Classes of words that keep the reply open all the same."""
    waived: frozenset[str]
    """Signs for the next day that do not."""


def chatter_in(findings: Findings, like: Likeness, *, said: bool, settled: bool, awaited: bool) -> Chatter:
    """Give the chatter of a reply.

    `said` is whether a word of it closes it, `settled` that an answer asked for was given and is harmless, `awaited`
    that one was asked for which chatter does not give.
    """
    plain = settled or any(findings.of(kind) for kind in _PLAIN)
    if findings.words.modest:
        return Chatter(plain=plain, unread=False, enough=False, named=SERIOUS, waived=_NOTHING)
    calm = (said or settled) and max(like.person, like.serious) <= _CALM
    enough = (settled or not awaited) and like.person <= (_BESIDE_OTHER if said or settled else _ALONE)
    enough = enough and like.serious <= 0 and len(findings.masks) >= _LEAST_WORDS and (calm or not _turns(findings))
    if enough:
        named, waived = (_GRAVE, _WAIVED) if calm else (_NAMED, _NOTHING)
        return Chatter(plain=plain, unread=True, enough=True, named=named, waived=waived)
    told = any(findings.of(kind) for kind in _TOLD)
    line = _BESIDE_PLAIN if plain else _BESIDE_TOLD if told else _BESIDE_OTHER
    unread = (plain or told or not awaited) and max(like.serious, like.person) <= line and not _turns(findings)
    return Chatter(plain=plain, unread=unread, enough=False, named=SERIOUS, waived=_NOTHING)


def _turns(findings: Findings) -> bool:
    """Whether a word leads from what was said to something else: "great, but ..."."""
    last = len(findings.masks) - 1
    return any(0 < at < last and not findings.has(at, "reason") for at in findings.where("contrast"))
