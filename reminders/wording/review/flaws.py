"""One thing that is wrong with a text, before anybody knows in which file it stands."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Flaw:
    """What is wrong, and the words by which its line can be found."""

    rule: str
    message: str
    snippet: str = ""
    """Part of the text as it reads; "" when nothing in it is to blame, as something is missing."""
    notice: bool = False
    """Worth knowing, but no reason to hold the text back."""
