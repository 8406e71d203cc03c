"""Every plan on the shelf, and what it says to one patient, rendered as it would be sent."""

from __future__ import annotations

import fnmatch
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from reminders.care.loading import load_plan, procedures_in
from reminders.care.plan import Plan
from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, expand
from reminders.care.values import Channel, Occurrence, Outcome
from reminders.wording.render import Rendered, Sender, Wording
from tests.build import PLANS, course_of, rules_of

PROCEDURES = procedures_in(PLANS)
LANGUAGES = ("en", "es")
SENDER = Sender(
    practice_name="Riverside Practice",
    practice_phone="+1 415 555 0100",
    after_hours_phone="+1 415 555 0101",
    emergency_number="911",
)


@dataclass(frozen=True)
class Said:
    """One text of one course."""

    each: Occurrence
    rendered: Rendered

    @property
    def body(self) -> str:
        return self.rendered.text.removeprefix(f"{SENDER.practice_name}: ")


@cache
def plan_named(procedure: str) -> Plan:
    return load_plan(PLANS / procedure)


@cache
def wording_of(procedure: str) -> Wording:
    return Wording(plan_named(procedure))


@cache
def facts() -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / "facts.toml").read_text(encoding="utf-8"))


def plans_like(pattern: str) -> list[str]:
    """The procedures that a row of the fact table is about; never none."""
    found = fnmatch.filter(PROCEDURES, pattern)
    assert found, pattern
    return found


def kinds_of(procedure: str) -> Iterator[tuple[str, ...]]:
    """Patients who together get every text and every word: nobody special, each factor alone, all that can be."""
    factors = plan_named(procedure).file.factors
    yield ()
    yield from ((name,) for name in factors)
    yield tuple(factors)
    yield tuple(name for name in factors if name != "child")


def said(
    procedure: str,
    *,
    language: str = "en",
    channel: Channel = Channel.SMS,
    factors: Sequence[str] = (),
    end: str = "2026-06-10T10:30",
    **changes: Any,
) -> list[Said]:
    """Every text of a course, withheld ones left out; `changes` are those of `tests.build.course_of`."""
    course = replace(course_of(end, channel=channel, factors=factors, **changes), language=language)
    resolved = resolve(plan_named(procedure), course)
    words = wording_of(procedure).for_course(resolved, SENDER, first_name="Ana")
    found = expand(resolved, rules_of(), Circumstances(not_before=course.procedure_end))
    return [Said(each, words.render([each])) for each in found if each.outcome is not Outcome.WITHHELD]


def everything(procedure: str, language: str, channel: Channel = Channel.SMS, **changes: Any) -> list[Said]:
    """Every text of a plan for every kind of patient."""
    return [
        each
        for kind in kinds_of(procedure)
        for each in said(procedure, language=language, channel=channel, factors=kind, **changes)
    ]
