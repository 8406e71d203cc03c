"""A plan as a timeline: one course with all defaults, as dots on days, and each dot's instruction in words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

from markupsafe import Markup

from reminders.care.resolving import resolve
from reminders.care.schedule import Circumstances, expand
from reminders.care.staff_tasks import due_tasks
from reminders.care.timing import course_day, instant_of
from reminders.care.values import Course, Outcome
from reminders.desk.composing import House
from reminders.desk.plans import ReadyPlan
from reminders.wording.timeline import Dot, draw_timeline

END_WALL = time(10, 0)
"""When the procedure of the picture ended, by the wall clock."""
ON = date(2026, 6, 10)
"""Its day; nothing in the picture depends on it, as no clock changes in the weeks after it in `ZONE`."""
ZONE = ZoneInfo("UTC")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One moment of the picture."""

    number: int
    """Of its instruction: equal numbers say the same thing."""
    key: str
    about: str
    day: int
    at: datetime
    """By the patient's wall clock."""
    required: bool
    some_only: bool
    """It is for patients with certain factors only."""
    for_staff: bool = False


def timeline_of(ready: ReadyPlan, house: House) -> tuple[Step, ...]:
    """Return every moment of a course with all defaults and no visit booked, earliest first.

    Instructions for some patients only are in it too, those that exclude each other among them.
    """
    plan = ready.plan
    end = instant_of(ON, END_WALL, ZONE)
    course = Course(procedure_end=end, zone=ZONE, language=plan.file.languages[0])
    found: list[tuple[datetime, str, str, bool, bool, bool]] = []
    seen: set[tuple[str, datetime]] = set()
    chosen = sorted({mark for each in plan.instructions for mark in each.only_if_any if mark in plan.file.factors})
    for factors in (frozenset[str](), *(frozenset({name}) for name in chosen)):
        resolved = resolve(plan, Course(procedure_end=end, zone=ZONE, language=course.language, factors=factors))
        for each in expand(resolved, house.rules, Circumstances(not_before=end)):
            if each.outcome is not Outcome.WITHHELD and (each.key, each.send_at) not in seen:
                seen.add((each.key, each.send_at))
                about = plan.instruction(each.key).about
                found.append((each.send_at, each.key, about, each.required, bool(factors), False))
        for task in due_tasks(resolved):
            if (task.key, task.due_at) not in seen:
                seen.add((task.key, task.due_at))
                found.append((task.due_at, task.key, task.says, True, bool(factors), True))
    found.sort()
    numbers = {key: number for number, key in enumerate(dict.fromkeys(each[1] for each in found), start=1)}
    return tuple(
        Step(
            number=numbers[key],
            key=key,
            about=about,
            day=course_day(at, procedure_end=end, zone=ZONE),
            at=at.astimezone(ZONE),
            required=required,
            some_only=some_only,
            for_staff=for_staff,
        )
        for at, key, about, required, some_only, for_staff in found
    )


def picture_of(ready: ReadyPlan, house: House) -> Markup:
    """Return the timeline as an SVG with its own colours, so that it can stand alone."""
    dots = [Dot(at=step.at, day=step.day, number=step.number) for step in timeline_of(ready, house)]
    drawn = draw_timeline(dots, label=f"Timeline: {ready.plan.title}", day_label=lambda day: f"Day {day}")
    head, tag, rest = drawn.partition(">")
    return Markup(f"{head}{tag}{_STYLE}{rest}")  # noqa: S704  the drawing is safe already, the style is ours


_STYLE = (
    "<style>text{font:11px sans-serif}.day{stroke:#d0d0d0}text.day{stroke:none;font-weight:bold}"
    ".hour{stroke:#ececec}text.hour{stroke:none;fill:#555}circle{fill:#17506b}.dot{fill:#fff;font-size:10px}</style>"
)
