"""Knows the words that the database holds (states, outcomes, steps, labels), and shows them to staff."""

from __future__ import annotations

from reminders.words import gettext, marked

_OF_CONCERNS = (
    *(marked("emergency"), marked("urgent"), marked("routine"), marked("reached"), marked("left voicemail")),
    *(marked("sent to clinic"), marked("sent to emergency"), marked("not needed"), marked("opened"), marked("reply")),
    *(marked("raised"), marked("escalated"), marked("taken"), marked("handed over"), marked("given back")),
    *(marked("called"), marked("note"), marked("closed"), marked("reopened"), marked("open")),
    *(marked("handed_over"), marked("given_back")),
)
_OF_ADDRESSES = (
    *(marked("active"), marked("stopped"), marked("released"), marked("unreachable"), marked("unknown")),
    *(marked("given"), marked("withdrawn")),
)
_OF_COURSES = (
    *(marked("ended"), marked("cancelled"), marked("waiting")),
    *(
        marked("added"),
        marked("moved"),
        marked("reworded"),
        marked("readdressed"),
        marked("joined"),
        marked("withheld"),
    ),
)
_OF_MESSAGES = (
    *(marked("scheduled"), marked("sending"), marked("sent"), marked("delivered"), marked("failed")),
    *(marked("uncertain"), marked("at_checkout")),
)
_OF_REPLIES = (marked("none"), marked("stop"), marked("start"), marked("help"), marked("wrong person"))
_OF_TRANSLATIONS = (marked("original"), marked("reviewed"), marked("draft"))


def shown(stored: str) -> str:
    """Return a word of the database in the staff's language, its `_` as spaces; empty stays empty."""
    plain = stored.replace("_", " ")
    return gettext(plain) if plain else ""
