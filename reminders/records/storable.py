"""Knows which text every database takes."""

from __future__ import annotations


def storable(text: str) -> str:
    """Return a text as it can be kept and looked for: PostgreSQL has no NUL, and half a surrogate pair is no letter."""
    return text.encode("utf-8", "replace").decode().replace("\x00", "\N{REPLACEMENT CHARACTER}")
