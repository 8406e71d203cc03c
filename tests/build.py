"""Builders that the tests share: plans, courses, contact rules, and schedules read back as wall times."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import reminders.clock  # noqa: F401  zone rules come from the pinned package
from reminders.care.loading import load_plan
from reminders.care.plan import Anaesthetic, Factor, Plan, PlanFile
from reminders.care.quiet_hours import QuietHours
from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, schedule
from reminders.care.timing import parse_local
from reminders.care.values import DEFAULT_SLOTS, ContactRules, Course, Joined, Occurrence, Slot

PLANS = Path(__file__).parents[1] / "message_templates"
SHARED = PLANS / "shared"
Row = TypeVar("Row")

LEAD = "partial-nail-avulsion-chemical"
LOS_ANGELES = ZoneInfo("America/Los_Angeles")
NIGHT = "21:00-08:00"
"""The default quiet hours."""


@cache
def lead_plan() -> Plan:
    """The lead plan, as it stands in the repository."""
    return load_plan(PLANS / LEAD)


def instruction(key: str = "note", **facts: Any) -> dict[str, Any]:
    """One instruction as a plan file holds it: optional, at the end of the procedure, `later`, useful for a day."""
    plain: dict[str, Any] = {
        "key": key,
        "about": "An invented instruction.",
        "when": [{"after": "procedure_end"}],
        "quiet": "later",
        "required": False,
        "importance": 5,
        "in_doubt": "resend",
        "source": "invented",
    }
    if "useful_until" not in facts:
        plain["useful_hours"] = 24
    return plain | facts


def plan_of(*instructions: Mapping[str, Any], **tables: Any) -> Plan:
    """An invented plan of these instructions, beside the shared tables of the repository."""
    values = {
        "title": "An invented procedure",
        "version": 1,
        "languages": ["en"],
        "cautions": ["Invented."],
        "desk_message": instructions[0]["key"],
        "instruction": list(instructions),
        "warning_sign": [{"sign": "Invented", "urgency": "routine", "from_day": 0, "source": "invented"}],
    }
    return Plan(
        procedure="invented",
        folder=PLANS / "invented",
        shared=SHARED,
        file=PlanFile.model_validate(values | tables),
        anaesthetics=_anaesthetics(),
        factors=_factors(),
    )


@cache
def _anaesthetics() -> Mapping[str, Anaesthetic]:
    return _table(SHARED / "anaesthetics.toml", Anaesthetic.model_validate, under="digit")


@cache
def _factors() -> Mapping[str, Factor]:
    return _table(SHARED / "factors.toml", Factor.model_validate)


def _table(path: Path, read: Callable[[object], Row], *, under: str = "") -> dict[str, Row]:
    values = tomllib.loads(path.read_text(encoding="utf-8"))
    return {name: read(row) for name, row in (values[under] if under else values).items()}


def course_of(end: str = "2026-06-10T15:30", zone: str | ZoneInfo = LOS_ANGELES, **facts: Any) -> Course:
    """A course whose procedure ended at this wall time; instants are ISO text, by the wall clock when without offset.

    `slots` names only the slots that differ from the default, as text.
    """
    there = zone if isinstance(zone, ZoneInfo) else ZoneInfo(zone)
    for name in ("block_placed", "dressing_applied", "visit"):
        if isinstance(facts.get(name), str):
            facts[name] = parse_local(facts[name], there)
    facts["factors"] = frozenset(facts.get("factors", ()))
    changed = {Slot(name): time.fromisoformat(wall) for name, wall in facts.pop("slots", {}).items()}
    return Course(
        procedure_end=parse_local(end, there), zone=there, language="en", slots={**DEFAULT_SLOTS, **changed}, **facts
    )


def rules_of(*quiet: str, **changes: Any) -> ContactRules:
    """Contact rules with these quiet hours on every day; the default ones when none are given."""
    return ContactRules(quiet=QuietHours.every_day(*(quiet or (NIGHT,))), **changes)


def up_to(most: int) -> Callable[..., bool]:
    """Say that a message holds at most so many occurrences."""

    def fits(members: Sequence[Occurrence], *, said_now: Sequence[Occurrence] = ()) -> bool:
        return len(members) + len(said_now) <= most

    return fits


def planned(
    plan: Plan,
    course: Course,
    rules: ContactRules | None = None,
    *,
    now: str | datetime | None = None,
    most: int = 2,
    **known: Any,
) -> tuple[Joined, ...]:
    """The schedule as it stands at `now`, at the procedure's end if not said; up to `most` fit into one message."""
    moment = parse_local(now, course.zone) if isinstance(now, str) else now
    circumstances = Circumstances(not_before=moment or course.procedure_end, **known)
    return schedule(resolve(plan, course), rules or rules_of(), circumstances, fits=up_to(most))


def message_with(messages: Sequence[Joined], key: str, occurrence: int = 1) -> Joined:
    """The one message that says this occurrence."""
    (found,) = [m for m in messages if any((e.key, e.occurrence) == (key, occurrence) for e in m.members)]
    return found


def wall(instant: datetime, course: Course) -> str:
    """An instant as the patient's clock and calendar show it: `2026-06-10 20:45`."""
    return f"{instant.astimezone(course.zone):%Y-%m-%d %H:%M}"


def walls(messages: Sequence[Joined], key: str, course: Course) -> list[str]:
    """When each occurrence of an instruction goes out, in order, by the patient's clock."""
    sent = sorted((m.send_at, e.occurrence) for m in messages for e in m.members if e.key == key)
    return [wall(instant, course) for instant, _ in sent]


def hours(number: float) -> timedelta:
    """A duration."""
    return timedelta(hours=number)


def rules_named(message: Joined) -> list[str]:
    """The rules that made a message what it is, in their order."""
    return [reason.rule for reason in message.reasons]
