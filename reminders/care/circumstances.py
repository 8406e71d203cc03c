"""What is known at the moment of scheduling beside the course itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import MappingProxyType

_NOTHING_SPENT: Mapping[str, Mapping[int, datetime]] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class OtherMessage:
    """A message of another course of the same patient that is due or went out."""

    procedure: str
    key: str
    text_name: str
    send_at: datetime


@dataclass(frozen=True, kw_only=True)
class Circumstances:
    """When and where the schedule is made, and what the patient was or will be told anyway."""

    not_before: datetime
    """Nothing can go out earlier; at enrollment the later of now and the procedure's end. Kept in UTC."""
    at_desk: bool = True
    """The patient still stands at the desk, so what fits nowhere else can be said there."""
    spent: Mapping[str, Mapping[int, datetime]] = field(default_factory=lambda: _NOTHING_SPENT)
    """By key and occurrence, when what can't be planned again was planned: it was sent, or said at the desk."""
    others: tuple[OtherMessage, ...] = ()
    sent_at: tuple[datetime, ...] = ()
    """When this course's own messages went out, for the daily limit."""

    def __post_init__(self) -> None:
        if self.not_before.tzinfo is None:
            raise ValueError("not_before needs a time zone")
        object.__setattr__(self, "not_before", self.not_before.astimezone(UTC))
