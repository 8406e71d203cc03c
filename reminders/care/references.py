"""Which names in a plan file refer to nothing, and which times in it are impossible."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from reminders.care.plan import (
    BASE_ANCHORS,
    MEDICINE_MARKS,
    VISIT_MARKS,
    ChoiceSetting,
    Factor,
    Instruction,
    NumberSetting,
    PlanFile,
    Setting,
    StaffTask,
)
from reminders.care.timings import AfterAnchor, AfterVisit, Amount, BeforeAnchor, BeforeVisit, EachDay, OnDay, When
from reminders.care.toml_lines import Path as TomlPath
from reminders.care.values import QuietMove
from reminders.sentences import english

Found = Iterator[tuple[TomlPath, str]]
"""The place of a fault inside the file, and what is wrong there."""


def reference_faults(plan: PlanFile, factors: Mapping[str, Factor]) -> Found:
    """Yield what no single table can know; `factors` are those of the shared table, empty when it was unreadable."""
    yield from _unknown_factors(plan, factors)
    yield from _anchor_faults(plan)
    yield from _setting_faults(plan)
    if plan.instruction and plan.desk_message not in {each.key for each in plan.instruction}:
        yield ("desk_message",), english("there is no instruction {key!r}").format(key=plan.desk_message)
    seen: set[str] = set()
    for index, instruction in enumerate(plan.instruction):
        at: TomlPath = ("instruction", index)
        if instruction.key in seen:
            yield (*at, "key"), english("the key {key!r} is used twice").format(key=instruction.key)
        seen.add(instruction.key)
        yield from _instruction_faults(instruction, plan, at)
    for index, task in enumerate(plan.staff_task):
        yield from _task_faults(task, plan, ("staff_task", index))


def _unknown_factors(plan: PlanFile, factors: Mapping[str, Factor]) -> Found:
    for name in plan.factors:
        if factors and name not in factors:
            yield ("factors",), english("no factor {name!r} in shared/factors.toml").format(name=name)


def _anchor_faults(plan: PlanFile) -> Found:
    known = list(BASE_ANCHORS)
    for name, anchor in plan.anchors.items():
        at: TomlPath = ("anchors", name)
        if name in BASE_ANCHORS:
            yield at, english("{name} is an anchor already; choose another name").format(name=name)
        if anchor.after not in known or anchor.after == "visit":
            yield (
                (*at, "after"),
                english("{anchor!r} is not an anchor that stands above this one").format(anchor=anchor.after),
            )
        yield from _amount_faults(anchor.hours, plan, (*at, "hours"))
        for key, agent in (("or_sooner_by", anchor.or_sooner_by), ("or_until_high_of", anchor.or_until_high_of)):
            setting = plan.settings.get(agent or "")
            if agent and not (isinstance(setting, ChoiceSetting) and setting.choices == "anaesthetics"):
                yield (*at, key), english("{name!r} is not a setting with anaesthetics").format(name=agent)
        if name in plan.settings:
            yield at, english("{name} is a setting too; a text could not tell which is meant").format(name=name)
        known.append(name)


def _setting_faults(plan: PlanFile) -> Found:
    for name, setting in plan.settings.items():
        yield from _dependence_faults(name, setting, plan)
        if isinstance(setting, NumberSetting) and setting.after_anchor:
            at: TomlPath = ("settings", name, "after_anchor")
            yield from _known_anchor(setting.after_anchor, plan, at)
            if setting.default * 24 <= _usual_hours(setting.after_anchor, plan):
                yield (
                    at,
                    english("the default day {day} is over when {anchor} comes").format(
                        day=setting.default, anchor=setting.after_anchor
                    ),
                )


def _dependence_faults(name: str, setting: Setting, plan: PlanFile) -> Found:
    """Yield where a setting speaks of another one that is not there, or does not have such a value."""
    at: TomlPath = ("settings", name)
    if isinstance(setting, NumberSetting) and setting.depends_on:
        other = plan.settings.get(setting.depends_on)
        if not isinstance(other, ChoiceSetting) or other.choices == "anaesthetics":
            yield (*at, "depends_on"), english("{name!r} is not a setting with choices").format(name=setting.depends_on)
            return
        for value in sorted(set(setting.defaults) - set(other.choices)):
            yield (
                (*at, "defaults"),
                english("{value!r} is not one of {known}").format(value=value, known=", ".join(other.choices)),
            )
    elif isinstance(setting, ChoiceSetting):
        for needed in setting.needs.values():
            other = plan.settings.get(needed)
            if not isinstance(other, ChoiceSetting) or other.default:
                yield (
                    (*at, "needs"),
                    english("{name!r} is not a setting with choices that is left open").format(name=needed),
                )


def _usual_hours(anchor: str, plan: PlanFile) -> int:
    """Return how many hours after the procedure an anchor usually lies; 0 when it can't be told."""
    total = 0
    for _ in plan.anchors:
        derived = plan.anchors.get(anchor)
        if derived is None:
            break
        setting = plan.settings.get(derived.hours) if isinstance(derived.hours, str) else derived.hours
        total += setting.default if isinstance(setting, NumberSetting) else setting if isinstance(setting, int) else 0
        anchor = derived.after
    return total


def _instruction_faults(instruction: Instruction, plan: PlanFile, at: TomlPath) -> Found:
    marks = {*plan.factors, *VISIT_MARKS, *MEDICINE_MARKS}
    conditions = {
        *instruction.only_if_any,
        *instruction.not_if_any,
        *instruction.words_change_with,
        *(mark for choice in instruction.texts for mark in (*choice.if_any, *choice.if_all)),
    }
    for mark in sorted(conditions - marks):
        yield (
            at,
            english("{key}: the condition {mark!r} is not among this plan's factors").format(
                key=instruction.key, mark=mark
            ),
        )
    for key in instruction.contradicts:
        if key not in {each.key for each in plan.instruction}:
            yield (
                (*at, "contradicts"),
                english("{key}: there is no instruction {other!r}").format(key=instruction.key, other=key),
            )
    if instruction.useful_until:
        yield from _known_anchor(instruction.useful_until, plan, (*at, "useful_until"))
    if instruction.required and instruction.quiet is QuietMove.WITHHOLD:
        yield (
            (*at, "quiet"),
            english("{key} is required, so quiet hours may not drop it: `earlier` or `later`").format(
                key=instruction.key
            ),
        )
    for when in instruction.when:
        yield from _timing_faults(when, plan, at)


def _task_faults(task: StaffTask, plan: PlanFile, at: TomlPath) -> Found:
    for mark in sorted({*task.only_if_any, *task.not_if_any} - {*plan.factors, *VISIT_MARKS}):
        yield (
            at,
            english("{key}: the condition {mark!r} is not among this plan's factors").format(key=task.key, mark=mark),
        )
    if task.key in {each.key for each in plan.instruction}:
        yield (*at, "key"), english("the key {key!r} is an instruction's already").format(key=task.key)
    for when in task.when:
        yield from _timing_faults(when, plan, at)


def _timing_faults(when: When, plan: PlanFile, of: TomlPath) -> Found:
    at = (*of, "when")
    amounts: tuple[Amount, ...] = ()
    match when:
        case AfterAnchor():
            amounts = (when.hours, when.minutes)
            yield from _known_anchor(when.after, plan, at)
        case BeforeAnchor():
            amounts = (when.hours, when.minutes)
            yield from _known_anchor(when.before, plan, at)
        case OnDay():
            amounts = when.on_day if isinstance(when.on_day, tuple) else (when.on_day,)
        case EachDay():
            amounts = tuple(each for each in (when.until_day, when.from_day, when.times) if each is not None)
            if when.after is not None:
                yield from _known_anchor(when.after, plan, at)
            if isinstance(when.until_day, int) and isinstance(when.from_day, int) and when.until_day <= when.from_day:
                yield (
                    at,
                    english("no day lies from day {day} until day {until_day}, which is not included").format(
                        day=when.from_day, until_day=when.until_day
                    ),
                )
        case BeforeVisit():
            amounts = (when.before_visit_days,)
        case AfterVisit():
            amounts = (when.after_visit_days,)
    if isinstance(when, BeforeVisit | AfterVisit) and "visit_day" not in plan.settings:
        yield at, english("counts from the visit, so the plan needs a setting `visit_day` for when none is booked")
    for amount in amounts:
        yield from _amount_faults(amount, plan, at)


def _known_anchor(name: str, plan: PlanFile, at: TomlPath) -> Found:
    if name not in BASE_ANCHORS and name not in plan.anchors:
        yield (
            at,
            english("there is no anchor {name!r}; known are {known}").format(
                name=name, known=", ".join((*BASE_ANCHORS, *plan.anchors))
            ),
        )


def _amount_faults(amount: Amount, plan: PlanFile, at: TomlPath) -> Found:
    if isinstance(amount, str) and not isinstance(plan.settings.get(amount), NumberSetting):
        yield at, english("{amount!r} is not a setting that holds a number").format(amount=amount)
