"""Which names in a plan file refer to nothing, and which times in it are impossible."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from reminders.care.plan import (
    BASE_ANCHORS,
    MEDICINE_MARKS,
    VISIT_MARKS,
    AfterAnchor,
    AfterVisit,
    Amount,
    BeforeAnchor,
    BeforeVisit,
    ChoiceSetting,
    EachDay,
    Factor,
    Instruction,
    NumberSetting,
    OnDay,
    PlanFile,
    Setting,
    StaffTask,
    When,
)
from reminders.care.toml_lines import Path as TomlPath
from reminders.care.values import QuietMove

Found = Iterator[tuple[TomlPath, str]]
"""The place of a fault inside the file, and what is wrong there."""


def reference_faults(plan: PlanFile, factors: Mapping[str, Factor]) -> Found:
    """Yield what no single table can know; `factors` are those of the shared table, empty when it was unreadable."""
    yield from _unknown_factors(plan, factors)
    yield from _anchor_faults(plan)
    yield from _setting_faults(plan)
    if plan.instruction and plan.desk_message not in {each.key for each in plan.instruction}:
        yield ("desk_message",), f"there is no instruction {plan.desk_message!r}"
    seen: set[str] = set()
    for index, instruction in enumerate(plan.instruction):
        at: TomlPath = ("instruction", index)
        if instruction.key in seen:
            yield (*at, "key"), f"the key {instruction.key!r} is used twice"
        seen.add(instruction.key)
        yield from _instruction_faults(instruction, plan, at)
    for index, task in enumerate(plan.staff_task):
        yield from _task_faults(task, plan, ("staff_task", index))


def _unknown_factors(plan: PlanFile, factors: Mapping[str, Factor]) -> Found:
    for name in plan.factors:
        if factors and name not in factors:
            yield ("factors",), f"no factor {name!r} in shared/factors.toml"


def _anchor_faults(plan: PlanFile) -> Found:
    known = list(BASE_ANCHORS)
    for name, anchor in plan.anchors.items():
        at: TomlPath = ("anchors", name)
        if name in BASE_ANCHORS:
            yield at, f"{name} is an anchor already; choose another name"
        if anchor.after not in known or anchor.after == "visit":
            yield (*at, "after"), f"{anchor.after!r} is not an anchor that stands above this one"
        yield from _amount_faults(anchor.hours, plan, (*at, "hours"))
        for key, agent in (("or_sooner_by", anchor.or_sooner_by), ("or_until_high_of", anchor.or_until_high_of)):
            setting = plan.settings.get(agent or "")
            if agent and not (isinstance(setting, ChoiceSetting) and setting.choices == "anaesthetics"):
                yield (*at, key), f"{agent!r} is not a setting with anaesthetics"
        if name in plan.settings:
            yield at, f"{name} is a setting too; a text could not tell which is meant"
        known.append(name)


def _setting_faults(plan: PlanFile) -> Found:
    for name, setting in plan.settings.items():
        yield from _dependence_faults(name, setting, plan)
        if isinstance(setting, NumberSetting) and setting.after_anchor:
            at: TomlPath = ("settings", name, "after_anchor")
            yield from _known_anchor(setting.after_anchor, plan, at)
            if setting.default * 24 <= _usual_hours(setting.after_anchor, plan):
                yield at, f"the default day {setting.default} is over when {setting.after_anchor} comes"


def _dependence_faults(name: str, setting: Setting, plan: PlanFile) -> Found:
    """Yield where a setting speaks of another one that is not there, or does not have such a value."""
    at: TomlPath = ("settings", name)
    if isinstance(setting, NumberSetting) and setting.depends_on:
        other = plan.settings.get(setting.depends_on)
        if not isinstance(other, ChoiceSetting) or other.choices == "anaesthetics":
            yield (*at, "depends_on"), f"{setting.depends_on!r} is not a setting with choices"
            return
        for value in sorted(set(setting.defaults) - set(other.choices)):
            yield (*at, "defaults"), f"{value!r} is not one of {', '.join(other.choices)}"
    elif isinstance(setting, ChoiceSetting):
        for needed in setting.needs.values():
            other = plan.settings.get(needed)
            if not isinstance(other, ChoiceSetting) or other.default:
                yield (*at, "needs"), f"{needed!r} is not a setting with choices that is left open"


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
        yield at, f"{instruction.key}: the condition {mark!r} is not among this plan's factors"
    for key in instruction.contradicts:
        if key not in {each.key for each in plan.instruction}:
            yield (*at, "contradicts"), f"{instruction.key}: there is no instruction {key!r}"
    if instruction.useful_until:
        yield from _known_anchor(instruction.useful_until, plan, (*at, "useful_until"))
    if instruction.required and instruction.quiet is QuietMove.WITHHOLD:
        yield (*at, "quiet"), f"{instruction.key} is required, so quiet hours may not drop it: `earlier` or `later`"
    for when in instruction.when:
        yield from _timing_faults(when, plan, (*at, "when"))


def _task_faults(task: StaffTask, plan: PlanFile, at: TomlPath) -> Found:
    for mark in sorted({*task.only_if_any, *task.not_if_any} - {*plan.factors, *VISIT_MARKS}):
        yield at, f"{task.key}: the condition {mark!r} is not among this plan's factors"
    if task.key in {each.key for each in plan.instruction}:
        yield (*at, "key"), f"the key {task.key!r} is an instruction's already"
    for when in task.when:
        yield from _timing_faults(when, plan, (*at, "when"))


def _timing_faults(when: When, plan: PlanFile, at: TomlPath) -> Found:
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
                yield at, f"no day lies from day {when.from_day} until day {when.until_day}, which is not included"
        case BeforeVisit():
            amounts = (when.before_visit_days,)
        case AfterVisit():
            amounts = (when.after_visit_days,)
    if isinstance(when, BeforeVisit | AfterVisit) and "visit_day" not in plan.settings:
        yield at, "counts from the visit, so the plan needs a setting `visit_day` for when none is booked"
    for amount in amounts:
        yield from _amount_faults(amount, plan, at)


def _known_anchor(name: str, plan: PlanFile, at: TomlPath) -> Found:
    if name not in BASE_ANCHORS and name not in plan.anchors:
        yield at, f"there is no anchor {name!r}; known are {', '.join((*BASE_ANCHORS, *plan.anchors))}"


def _amount_faults(amount: Amount, plan: PlanFile, at: TomlPath) -> Found:
    if isinstance(amount, str) and not isinstance(plan.settings.get(amount), NumberSetting):
        yield at, f"{amount!r} is not a setting that holds a number"
