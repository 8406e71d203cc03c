"""What happens in the demo besides messages: who writes, who acts and whose visit moves, read from story.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from reminders.care.timing import parse_local


@dataclass(frozen=True, kw_only=True)
class ReplyEvent:
    """A patient writes."""

    at: datetime
    who: str
    text: str


@dataclass(frozen=True, kw_only=True)
class StaffEvent:
    """Somebody of the practice takes the patient's open concern, or closes it when `outcome` is given."""

    at: datetime
    who: str
    by: str
    outcome: str | None
    note: str


@dataclass(frozen=True, kw_only=True)
class VisitEvent:
    """A visit is moved."""

    at: datetime
    who: str
    to: datetime
    by: str


Event = ReplyEvent | StaffEvent | VisitEvent


@dataclass(frozen=True, kw_only=True)
class Story:
    """Everything that happens until the demo ends."""

    events: tuple[Event, ...]
    """In the order of time."""
    until: datetime


def read_story(path: Path, zone: ZoneInfo) -> Story:
    """Read the story; its wall times are in `zone`."""
    told = tomllib.loads(path.read_text(encoding="utf-8"))

    def at(row: Mapping[str, Any], name: str = "at") -> datetime:
        return parse_local(row[name], zone)

    events: list[Event] = [ReplyEvent(at=at(row), who=row["who"], text=row["text"]) for row in told["reply"]]
    events += [
        StaffEvent(at=at(row), who=row["who"], by=row["by"], outcome=row.get("closes"), note=row.get("note", ""))
        for row in told["staff"]
    ]
    events += [VisitEvent(at=at(row), who=row["who"], to=at(row, "to"), by=row["by"]) for row in told["visit"]]
    return Story(events=tuple(sorted(events, key=lambda each: each.at)), until=at(told, "until"))
