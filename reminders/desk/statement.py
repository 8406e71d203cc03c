"""A statement about consent, as it was recorded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What was said about consent, word for word or by the version of a wording, and who recorded it."""

    wording: str
    recorded_by: str
