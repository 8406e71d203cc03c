"""What a clinician or patient may choose that moves a message: which values are tried, and which go together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import time
from itertools import combinations, product

from reminders.care.moments import names_in
from reminders.care.plan import ChoiceSetting, Instruction, NumberSetting, Plan, Setting
from reminders.care.timings import AfterVisit, BeforeVisit, EachDay, OnDay
from reminders.care.values import QuietMove, Slot
from reminders.desk.prove.cases import Case

MOST_VALUES = 30
"""A range of at most so many values is tried whole; of a longer one the ends, the default, and every half day."""

BLOCK_STARTS = (0, 45, 180)
"""Minutes before the end at which the block was placed."""
DRESSING_STARTS = (0, 30)
VISITS = ((1, time(8, 30)), (2, time(16, 0)), (7, time(9, 0)), (14, time(14, 30)), (21, time(12, 0)))
"""Booked visits: days after the procedure, and the time."""
OTHER_SLOTS = (
    ((Slot.MORNING, time(6, 0)), (Slot.EVENING, time(22, 0))),  # both within usual quiet hours
    ((Slot.MORNING, time(10, 0)), (Slot.MIDDAY, time(13, 30)), (Slot.EVENING, time(17, 30))),
)


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Some facts of a course that differ from the default."""

    settings: tuple[tuple[str, int | str], ...] = ()
    block_minutes_before: int = 0
    dressing_minutes_after: int = 0
    visit: tuple[int, time] | None = None
    slots: tuple[tuple[Slot, time], ...] = ()
    night_contact_agreed: bool = False

    def with_(self, other: Choice) -> Choice:
        """Return both choices as one; where both choose, the other counts."""
        return Choice(
            settings=tuple({**dict(self.settings), **dict(other.settings)}.items()),
            block_minutes_before=other.block_minutes_before or self.block_minutes_before,
            dressing_minutes_after=other.dressing_minutes_after or self.dressing_minutes_after,
            visit=other.visit or self.visit,
            slots=other.slots or self.slots,
            night_contact_agreed=other.night_contact_agreed or self.night_contact_agreed,
        )

    def of(self, case: Case) -> Case:
        """Return the case with these facts."""
        fields = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return replace(case, **fields)


AS_IT_IS = Choice()


def completed(plan: Plan, choice: Choice) -> Choice:
    """Return the choice with whatever has to be recorded before a course may begin with its values."""
    chosen = dict(choice.settings)
    for name, setting in plan.file.settings.items():
        if isinstance(setting, ChoiceSetting):
            needed = setting.needs.get(str(chosen.get(name, setting.default)))
            if needed and not chosen.get(needed, plan.file.settings[needed].default):
                chosen[needed] = next(value for value in values_of(plan.file.settings[needed], plan) if value)
    return replace(choice, settings=tuple(chosen.items()))


def settings_of(plan: Plan, instruction: Instruction) -> tuple[str, ...]:
    """Return the settings on which an instruction's times depend, by its own amounts and by its anchors."""
    names = {name for when in instruction.when for name in names_in(when)}
    found = {name for name in names if name in plan.file.settings}
    reached = names | ({instruction.useful_until} if instruction.useful_until else set())
    for name in _anchors(plan, reached):
        anchor = plan.file.anchors[name]
        found |= {
            each for each in (anchor.hours, anchor.or_sooner_by, anchor.or_until_high_of) if isinstance(each, str)
        }
    found |= {
        name
        for name, setting in plan.file.settings.items()
        if isinstance(setting, NumberSetting) and setting.after_anchor and name in found
    }
    return tuple(name for name in plan.file.settings if name in found)


def bases_of(plan: Plan, instruction: Instruction) -> frozenset[str]:
    """Return the known instants that an instruction counts from, directly or through other anchors."""
    reached = {name for when in instruction.when for name in names_in(when)}
    if instruction.useful_until:
        reached.add(instruction.useful_until)
    anchors = _anchors(plan, reached)
    return frozenset(reached | {plan.file.anchors[name].after for name in anchors})


def values_of(setting: Setting, plan: Plan) -> tuple[int | str, ...]:
    """Return the values tried of one setting, the default first; "" of a choice that need not be made."""
    if isinstance(setting, ChoiceSetting):
        known = tuple(plan.anaesthetics) if setting.choices == "anaesthetics" else setting.choices
        return tuple(dict.fromkeys((setting.default, *known)))
    every = range(setting.lowest, setting.highest + 1)
    if len(every) > MOST_VALUES:
        half_days = [value for value in every if setting.unit == "hours" and value % 12 == 0]
        return tuple(dict.fromkeys((setting.default, setting.lowest, *half_days, setting.highest)))
    return tuple(dict.fromkeys((setting.default, *every)))


def ends_of(setting: Setting, plan: Plan) -> tuple[int | str, ...]:
    """Return the default and both ends of a setting; every choice of one that is no number."""
    if isinstance(setting, NumberSetting):
        return tuple(dict.fromkeys((setting.default, setting.lowest, setting.highest)))
    return values_of(setting, plan)


def choices_for(plan: Plan, instruction: Instruction) -> list[Choice]:
    """Return every choice that moves one instruction, each value of each setting it depends on with each other."""
    names = settings_of(plan, instruction)
    rows = product(*(values_of(plan.file.settings[name], plan) for name in names))
    settings = [_changed(plan, dict(zip(names, row, strict=True))) for row in rows]
    return [Choice(settings=row).with_(start) for start in _starts(plan, instruction) for row in settings]


def courses(plan: Plan) -> list[Choice]:
    """Return choices in which every end of a setting meets every end of every other, the default first.

    Settings that move the same instruction meet in all their combinations, others at least two by two.
    """
    axes = [_axis(plan, group) for group in _groups(plan)]
    return [_together(row) for row in _pairwise(axes)]


def _anchors(plan: Plan, names: Iterable[str]) -> set[str]:
    """Return the plan's own anchors among `names`, and those that they count from."""
    found: set[str] = set()
    waiting = [name for name in names if name in plan.file.anchors]
    while waiting:
        name = waiting.pop()
        found.add(name)
        after = plan.file.anchors[name].after
        if after in plan.file.anchors:
            waiting.append(after)
    return found


def _changed(plan: Plan, row: dict[str, int | str]) -> tuple[tuple[str, int | str], ...]:
    return tuple((name, value) for name, value in row.items() if value != plan.file.settings[name].default)


def _starts(plan: Plan, instruction: Instruction) -> list[Choice]:
    bases = bases_of(plan, instruction)
    found = [AS_IT_IS]
    if "block_placed" in bases:
        found += [Choice(block_minutes_before=minutes) for minutes in BLOCK_STARTS[1:]]
    if "dressing_applied" in bases:
        found += [Choice(dressing_minutes_after=minutes) for minutes in DRESSING_STARTS[1:]]
    if "visit" in bases:
        found += [Choice(visit=visit) for visit in VISITS]
    if any(isinstance(when, OnDay | EachDay | BeforeVisit | AfterVisit) for when in instruction.when):
        found += [Choice(slots=slots) for slots in OTHER_SLOTS]
    if instruction.quiet is QuietMove.SEND:
        found += [each.with_(Choice(night_contact_agreed=True)) for each in found]
    return found


def _groups(plan: Plan) -> list[frozenset[str]]:
    """Return the settings and bases that move messages, those together that move the same one."""
    groups: list[frozenset[str]] = []
    for each in plan.instructions:
        names = {*settings_of(plan, each), *(bases_of(plan, each) & {"block_placed", "dressing_applied", "visit"})}
        if names:
            met = [group for group in groups if not group.isdisjoint(names)]
            groups = [group for group in groups if group not in met] + [frozenset(names).union(*met)]
    return groups


def _axis(plan: Plan, group: frozenset[str]) -> list[Choice]:
    names = [name for name in plan.file.settings if name in group]
    numbers = [name for name in names if isinstance(plan.file.settings[name], NumberSetting)]
    rows = product(*(ends_of(plan.file.settings[name], plan) for name in numbers))
    found = [Choice(settings=_changed(plan, dict(zip(numbers, row, strict=True)))) for row in rows]
    for name in names:
        if name not in numbers:
            values = values_of(plan.file.settings[name], plan)
            found += [Choice(settings=((name, value),)) for value in values[1:]]
    if "block_placed" in group:
        found.append(Choice(block_minutes_before=BLOCK_STARTS[-1]))
    if "visit" in group:
        found += [Choice(visit=visit) for visit in VISITS]
    return found


def _pairwise(axes: Sequence[Sequence[Choice]]) -> Iterator[tuple[Choice, ...]]:
    """Yield few rows in which every value of every axis meets every value of every other; the first is all firsts."""
    if not axes:
        yield ()
        return
    missing = {
        (one, a, other, b)
        for one, other in combinations(range(len(axes)), 2)
        for a in range(len(axes[one]))
        for b in range(len(axes[other]))
    }
    row = [0] * len(axes)
    while True:
        missing -= set(_pairs(row))
        yield tuple(axis[index] for axis, index in zip(axes, row, strict=True))
        if not missing:
            break
        row = _next_row(axes, missing)


def _next_row(axes: Sequence[Sequence[Choice]], missing: set[tuple[int, int, int, int]]) -> list[int]:
    one, a, other, b = min(missing)
    row = [0] * len(axes)
    row[one], row[other] = a, b
    fixed = {one, other}
    for axis in range(len(axes)):
        if axis not in fixed:
            row[axis] = max(range(len(axes[axis])), key=lambda index: _gain(row, axis, index, missing))
    return row


def _gain(row: list[int], axis: int, index: int, missing: set[tuple[int, int, int, int]]) -> int:
    tried = [*row]
    tried[axis] = index
    return sum(pair in missing for pair in _pairs(tried))


def _pairs(row: Sequence[int]) -> Iterator[tuple[int, int, int, int]]:
    for one, other in combinations(range(len(row)), 2):
        yield one, row[one], other, row[other]


def _together(choices: Iterable[Choice]) -> Choice:
    found = AS_IT_IS
    for choice in choices:
        found = found.with_(choice)
    return found
