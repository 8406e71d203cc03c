"""What the demo tells at its end, the same for people and for programs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from demo.stage import Played
from demo.tally import Tally
from reminders.desk.replan import Change


@dataclass(frozen=True, kw_only=True)
class Row:
    """What came of one line of the list."""

    line: int
    name: str
    state: str
    enrollment_id: int | None
    problems: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MovedVisit:
    """A visit that was moved, and what became of the messages."""

    who: str
    at: datetime
    to: datetime
    by: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, kw_only=True)
class Summary:
    """Everything that is told."""

    practice: str
    invented: bool
    zone_rules: str
    rows: tuple[Row, ...]
    moved_visits: tuple[MovedVisit, ...]
    tally: Tally
    files: Mapping[str, str]
    look_further: tuple[str, ...]

    def as_json(self) -> str:
        """Return it as one JSON object; times are RFC 3339."""
        fields = asdict(self)
        fields |= fields.pop("tally")
        return json.dumps(fields, ensure_ascii=False, indent=2, default=_plain)


def rows_of(played: Played) -> tuple[Row, ...]:
    """Return what came of the list, in its order."""
    rows = [
        Row(
            line=result.line,
            name=name,
            state=str(result.state),
            enrollment_id=result.enrollment_id,
            problems=result.problems,
            warnings=result.warnings,
        )
        for name, result in played.rows
    ]
    return tuple(sorted(rows, key=lambda row: row.line))


def visits_of(played: Played, zone: ZoneInfo) -> tuple[MovedVisit, ...]:
    """Return the visits that were moved, by the practice's clocks."""
    return tuple(
        MovedVisit(
            who=event.who,
            at=event.at.astimezone(zone),
            to=event.to.astimezone(zone),
            by=event.by,
            changes=changes,
        )
        for event, changes in played.moved_visits
    )


def _plain(value: object) -> str:
    if isinstance(value, date | datetime):
        return value.isoformat()
    raise TypeError(f"no JSON for {type(value).__name__}")
