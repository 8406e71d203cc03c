"""What a plan's settings, anchors and conditions come to for one patient's course."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from types import MappingProxyType

from reminders.care.plan import Anaesthetic, ChoiceSetting, DerivedAnchor, NumberSetting, Plan
from reminders.care.timing import local_day
from reminders.care.values import Course
from reminders.errors import InputError
from reminders.sentences import english


@dataclass(frozen=True, kw_only=True)
class Resolved:
    """A plan's open values, filled for one course."""

    plan: Plan
    course: Course
    settings: Mapping[str, int | str]
    """Every setting of the plan; an anaesthetic by its name in the table, empty when not recorded."""
    anchors: Mapping[str, datetime]
    """Every anchor's instant, UTC; `visit` only when a visit is booked."""
    marks: frozenset[str]
    """Patient factors and the conditions that follow from them and from the visit."""
    anaesthetic: Anaesthetic | None

    def amount(self, value: int | str) -> int:
        """Return a number of the plan, looked up when it names a setting."""
        return value if isinstance(value, int) else int(self.settings[value])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Chosen:
    """What a plan's settings come to, whoever the patient and whenever the procedure ended."""

    settings: Mapping[str, int | str]
    anaesthetic: Anaesthetic | None
    anchors: tuple[tuple[str, str, timedelta], ...]
    """The plan's own: its name, what it counts from, and how long after that."""


def resolve(plan: Plan, course: Course) -> Resolved:
    """Fill the plan's open values from the course; raises InputError for a value the plan does not allow."""
    chosen = _chosen(plan, course.settings)
    anchors = _anchors(chosen, course)
    _check_days(plan, course, chosen.settings, anchors)
    return Resolved(
        plan=plan,
        course=course,
        settings=chosen.settings,
        anchors=anchors,
        marks=marks_of(plan, course.factors, visit_booked=course.visit is not None),
        anaesthetic=chosen.anaesthetic,
    )


def effective_settings(plan: Plan, chosen: Mapping[str, int | str]) -> Mapping[str, int | str]:
    """Return every setting's value: what was chosen, else the plan's default.

    Raises InputError for an unknown setting, or a value that the plan does not allow.
    """
    return _chosen(plan, chosen).settings


def _chosen(plan: Plan, given: Mapping[str, int | str]) -> _Chosen:
    # True equals 1, and would be taken for it: the types are part of what is remembered.
    return _known_choice(plan, tuple([(name, type(value), value) for name, value in given.items()]))


@lru_cache(maxsize=1024)  # most patients of a plan have its usual settings
def _known_choice(plan: Plan, given: tuple[tuple[str, type, int | str], ...]) -> _Chosen:
    chosen = {name: value for name, _type, value in given}
    settings = MappingProxyType(_effective(plan, chosen))
    anaesthetic = _recorded_anaesthetic(plan, settings)
    anchors = [
        (name, derived.after, timedelta(hours=_hours(derived, chosen, settings, anaesthetic)))
        for name, derived in plan.file.anchors.items()
    ]
    return _Chosen(settings=settings, anaesthetic=anaesthetic, anchors=tuple(anchors))


def _effective(plan: Plan, chosen: Mapping[str, int | str]) -> dict[str, int | str]:
    declared = plan.file.settings
    for name in chosen:
        if name not in declared:
            raise InputError(
                english("{procedure} has no setting {name!r}; it has {known}").format(
                    procedure=plan.procedure, name=name, known=", ".join(sorted(declared))
                )
            )
    values = {
        name: _checked(name, chosen[name], setting, plan) if name in chosen else setting.default
        for name, setting in declared.items()
    }
    for name, setting in declared.items():
        if isinstance(setting, NumberSetting) and setting.depends_on and name not in chosen:
            values[name] = setting.defaults.get(str(values[setting.depends_on]), setting.default)
        elif isinstance(setting, ChoiceSetting):
            needed = setting.needs.get(str(values[name]))
            if needed and not values[needed]:
                raise InputError(
                    english("{setting} {value!r} needs {needed} to be recorded: {meaning}").format(
                        setting=name, value=values[name], needed=needed, meaning=declared[needed].says
                    )
                )
    return values


@lru_cache(maxsize=1024)  # few combinations of factors are common
def marks_of(plan: Plan, factors: frozenset[str], *, visit_booked: bool) -> frozenset[str]:
    """Return the conditions that hold for a patient; raises InputError for a factor nobody knows."""
    marks = {"visit_booked" if visit_booked else "visit_not_booked"}
    for name in factors:
        if name not in plan.factors:
            raise InputError(
                english("no patient factor {name!r}; known are {known}").format(
                    name=name, known=", ".join(sorted(plan.factors))
                )
            )
        # A factor that does not change this plan still bars a medicine.
        marks |= plan.factors[name].medicine_marks
        if name in plan.file.factors:
            marks.add(name)
    return frozenset(marks)


def factor_named(text: str, plan: Plan) -> str:
    """Return the factor's name for what a person typed (`Diabetic`, `blood thinner`); raises InputError."""
    wanted = simple_name(text)
    for name, factor in plan.factors.items():
        if wanted == name or wanted in factor.aliases:
            return name
    raise InputError(
        english("no patient factor {name!r}; known are {known}").format(
            name=text, known=", ".join(sorted(plan.factors))
        )
    )


def simple_name(text: str) -> str:
    """Return text as names are spelt in plan files: lower case, words joined by `_`."""
    return "_".join(re.findall(r"[a-z0-9]+", text.lower().replace("%", " ")))


def _checked(name: str, value: int | str, setting: NumberSetting | ChoiceSetting, plan: Plan) -> int | str:
    if isinstance(setting, NumberSetting):
        text = str(value).strip()
        if not re.fullmatch(r"[0-9]{1,4}", text):
            raise InputError(
                english("{setting} is a whole number of {unit}, not {value!r}").format(
                    setting=name, unit=setting.unit, value=value
                )
            )
        number = int(text)
        if not setting.lowest <= number <= setting.highest:
            raise InputError(
                english(
                    "{setting} may be {lowest} to {highest} {unit}, not {value}; "
                    "the range stands in plan.toml with its sources"
                ).format(setting=name, lowest=setting.lowest, highest=setting.highest, unit=setting.unit, value=number)
            )
        return number
    wanted = simple_name(str(value))
    if not wanted:
        return ""
    if setting.choices == "anaesthetics":
        return _anaesthetic_named(wanted, plan)
    if wanted not in setting.choices:
        raise InputError(
            english("{setting} may be {known}, not {value!r}").format(
                setting=name, known=", ".join(setting.choices), value=value
            )
        )
    return wanted


def _anaesthetic_named(wanted: str, plan: Plan) -> str:
    if wanted in plan.anaesthetics:
        return wanted
    words = _words_that_count(wanted)
    for name, agent in plan.anaesthetics.items():
        if any(words == _words_that_count(each) for each in (name, *agent.aliases)):
            return name
    raise InputError(
        english("no anaesthetic {name!r}; known are {known}").format(name=wanted, known=", ".join(plan.anaesthetics))
    )


def _words_that_count(name: str) -> frozenset[str]:
    """Return a name's words without strengths and without those that only join, in no order."""
    return frozenset(word for word in name.split("_") if not word.isdigit()) - {"with", "w", "and", "plus"}


def _recorded_anaesthetic(plan: Plan, settings: Mapping[str, int | str]) -> Anaesthetic | None:
    for name, setting in plan.file.settings.items():
        if isinstance(setting, ChoiceSetting) and setting.choices == "anaesthetics" and settings[name]:
            return plan.anaesthetics[str(settings[name])]
    return None


def _hours(
    derived: DerivedAnchor,
    chosen: Mapping[str, int | str],
    settings: Mapping[str, int | str],
    anaesthetic: Anaesthetic | None,
) -> float:
    hours = float(settings[derived.hours] if isinstance(derived.hours, str) else derived.hours)
    if derived.or_sooner_by and anaesthetic is not None:
        # The recorded agent counts; hours set for this patient count only where they are sooner still.
        hours = min(hours, anaesthetic.low) if derived.hours in chosen else anaesthetic.low
    if derived.or_until_high_of and anaesthetic is not None:
        hours = anaesthetic.high
    return hours


def _anchors(chosen: _Chosen, course: Course) -> dict[str, datetime]:
    end = course.procedure_end
    anchors = {
        "procedure_end": end,
        "block_placed": course.block_placed or end,
        "dressing_applied": course.dressing_applied or end,
    }
    if course.visit is not None:
        anchors["visit"] = course.visit
    for name, after, length in chosen.anchors:
        anchors[name] = anchors[after] + length
    return anchors


def _check_days(plan: Plan, course: Course, settings: Mapping[str, int | str], anchors: Mapping[str, datetime]) -> None:
    """Refuse a day that does not lie after the anchor it has to follow."""
    for name, anchor, days in _days_that_follow(plan):
        anchor_on = local_day(anchors[anchor], course.zone)
        anchor_day = (anchor_on - course.day_0).days
        if int(settings[name]) < anchor_day + days:
            raise InputError(
                english(
                    "{setting} {value} must be a later day than {anchor}, which is day {anchor_day} ({date}): day "
                    "{earliest} or later"
                ).format(
                    setting=name,
                    value=settings[name],
                    anchor=anchor.replace("_", " "),
                    anchor_day=anchor_day,
                    date=anchor_on.isoformat(),
                    earliest=anchor_day + days,
                )
            )


@lru_cache(maxsize=64)
def _days_that_follow(plan: Plan) -> tuple[tuple[str, str, int], ...]:
    """Return the settings that have to lie after an anchor, with it and by how many days."""
    return tuple(
        (name, setting.after_anchor, setting.after_anchor_days)
        for name, setting in plan.file.settings.items()
        if isinstance(setting, NumberSetting) and setting.after_anchor
    )
