"""Reads a procedure folder and reports every fault in it at once, each with its file and line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from reminders.care.plan import (
    BASE_ANCHORS,
    MEDICINE_MARKS,
    VISIT_MARKS,
    AfterAnchor,
    AfterVisit,
    Amount,
    Anaesthetic,
    BeforeAnchor,
    BeforeVisit,
    ChoiceSetting,
    EachDay,
    Factor,
    Instruction,
    NumberSetting,
    OnDay,
    Plan,
    PlanFile,
)
from reminders.care.toml_lines import Path as TomlPath
from reminders.care.toml_lines import line_index, line_of
from reminders.errors import Fault, NotFound, PlanError

PLAN_FILE = "plan.toml"
SHARED_FOLDER = "shared"

Row = TypeVar("Row", bound=BaseModel)


def load_plan(folder: Path) -> Plan:
    """Load one procedure folder with the tables beside it in `shared/`.

    Raises NotFound when there is no such folder, PlanError with every fault found. Texts are checked by
    `reminders.wording`, which can read them.
    """
    if not (folder / PLAN_FILE).is_file():
        known = ", ".join(procedures_in(folder.parent)) or "none"
        raise NotFound(f"no procedure {folder.name!r}: {folder} has no {PLAN_FILE}; there are: {known}")
    shared = folder.parent / SHARED_FOLDER
    faults: list[Fault] = []
    plan_file, lines = _read_model(folder / PLAN_FILE, PlanFile, faults)
    anaesthetics = _read_table(shared / "anaesthetics.toml", Anaesthetic, faults)
    factors = _read_table(shared / "factors.toml", Factor, faults)
    if plan_file is None:
        raise PlanError(tuple(faults))
    faults += _cross_faults(plan_file, folder, lines, factors)
    if faults:
        raise PlanError(tuple(faults))
    return Plan(
        procedure=folder.name,
        folder=folder,
        shared=shared,
        file=plan_file,
        anaesthetics=anaesthetics,
        factors=factors,
        instruction_lines={
            each.key: line_of(lines, ("instruction", index)) for index, each in enumerate(plan_file.instruction)
        },
    )


def procedures_in(folder: Path) -> tuple[str, ...]:
    """Return the names of the procedure folders below `folder`, sorted; empty when there is none."""
    return tuple(sorted(found.parent.name for found in folder.glob(f"*/{PLAN_FILE}")))


def _read_toml(path: Path, faults: list[Fault]) -> tuple[dict[str, object], Mapping[TomlPath, int]] | None:
    try:
        source = path.read_bytes().decode("utf-8-sig")
        return tomllib.loads(source), line_index(source)
    except FileNotFoundError:
        faults.append(Fault(file=path, line=0, message="this file is missing"))
    except UnicodeDecodeError as error:
        faults.append(Fault(file=path, line=0, message=f"save it as UTF-8; {error.reason} at byte {error.start}"))
    except tomllib.TOMLDecodeError as error:
        faults.append(Fault(file=path, line=_line_in(str(error)), message=f"not valid TOML: {error}"))
    return None


def _line_in(message: str) -> int:
    """Return the line that the standard parser names only inside its message."""
    after = message.partition("at line ")[2]
    digits = after.partition(",")[0]
    return int(digits) if digits.isdigit() else 0


def _read_model(
    path: Path, model: type[PlanFile], faults: list[Fault]
) -> tuple[PlanFile | None, Mapping[TomlPath, int]]:
    read = _read_toml(path, faults)
    if read is None:
        return None, {}
    values, lines = read
    try:
        return model.model_validate(values), lines
    except ValidationError as error:
        faults += _validation_faults(error, path, lines)
        return None, lines


def _read_table(path: Path, row: type[Row], faults: list[Fault]) -> dict[str, Row]:
    read = _read_toml(path, faults)
    if read is None:
        return {}
    values, lines = read
    table: dict[str, Row] = {}
    for name, value in values.items():
        try:
            table[name] = row.model_validate(value)
        except ValidationError as error:
            faults += _validation_faults(error, path, lines, within=(name,))
    return table


def _validation_faults(
    error: ValidationError, path: Path, lines: Mapping[TomlPath, int], *, within: TomlPath = ()
) -> Iterator[Fault]:
    for each in error.errors(include_url=False):
        where = (*within, *each["loc"])
        message = "this key is not known" if each["type"] == "extra_forbidden" else each["msg"]
        named = ".".join(str(part) for part in where)
        yield Fault(file=path, line=line_of(lines, where), message=f"{named}: {message}")


def _cross_faults(
    plan: PlanFile, folder: Path, lines: Mapping[TomlPath, int], factors: Mapping[str, Factor]
) -> Iterator[Fault]:
    """Yield what no single table can know: names that refer to nothing."""
    found: list[tuple[TomlPath, str]] = []
    found += _unknown_factors(plan, factors)
    found += _anchor_faults(plan)
    found += _setting_faults(plan)
    if plan.desk_message not in {each.key for each in plan.instruction}:
        found.append((("desk_message",), f"there is no instruction {plan.desk_message!r}"))
    seen: set[str] = set()
    for index, instruction in enumerate(plan.instruction):
        at: TomlPath = ("instruction", index)
        if instruction.key in seen:
            found.append(((*at, "key"), f"the key {instruction.key!r} is used twice"))
        seen.add(instruction.key)
        found += _instruction_faults(instruction, plan, at)
    for path, message in found:
        yield Fault(file=folder / PLAN_FILE, line=line_of(lines, path), message=message)


def _unknown_factors(plan: PlanFile, factors: Mapping[str, Factor]) -> Iterator[tuple[TomlPath, str]]:
    for name in plan.factors:
        if factors and name not in factors:
            yield ("factors",), f"no factor {name!r} in {SHARED_FOLDER}/factors.toml"


def _anchor_faults(plan: PlanFile) -> Iterator[tuple[TomlPath, str]]:
    known = list(BASE_ANCHORS)
    for name, anchor in plan.anchors.items():
        at: TomlPath = ("anchors", name)
        if name in BASE_ANCHORS:
            yield at, f"{name} is an anchor already; choose another name"
        if anchor.after not in known or anchor.after == "visit":
            yield (*at, "after"), f"{anchor.after!r} is not an anchor that stands above this one"
        yield from _amount_faults(anchor.hours, plan, (*at, "hours"))
        sooner = plan.settings.get(anchor.or_sooner_by or "")
        if anchor.or_sooner_by and not (isinstance(sooner, ChoiceSetting) and sooner.choices == "anaesthetics"):
            yield (*at, "or_sooner_by"), f"{anchor.or_sooner_by!r} is not a setting with anaesthetics"
        known.append(name)


def _setting_faults(plan: PlanFile) -> Iterator[tuple[TomlPath, str]]:
    for name, setting in plan.settings.items():
        if isinstance(setting, NumberSetting) and setting.after_anchor:
            yield from _known_anchor(setting.after_anchor, plan, ("settings", name, "after_anchor"))


def _instruction_faults(instruction: Instruction, plan: PlanFile, at: TomlPath) -> Iterator[tuple[TomlPath, str]]:
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
    for when in instruction.when:
        yield from _timing_faults(when, plan, (*at, "when"))


def _timing_faults(when: object, plan: PlanFile, at: TomlPath) -> Iterator[tuple[TomlPath, str]]:
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
            amounts = (when.until_day, *(() if when.from_day is None else (when.from_day,)))
            if when.after is not None:
                yield from _known_anchor(when.after, plan, at)
        case BeforeVisit():
            amounts = (when.before_visit_days,)
        case AfterVisit():
            amounts = (when.after_visit_days,)
    if isinstance(when, BeforeVisit | AfterVisit) and "visit_day" not in plan.settings:
        yield at, "counts from the visit, so the plan needs a setting `visit_day` for when none is booked"
    for amount in amounts:
        yield from _amount_faults(amount, plan, at)


def _known_anchor(name: str, plan: PlanFile, at: TomlPath) -> Iterator[tuple[TomlPath, str]]:
    if name not in BASE_ANCHORS and name not in plan.anchors:
        yield at, f"there is no anchor {name!r}; known are {', '.join((*BASE_ANCHORS, *plan.anchors))}"


def _amount_faults(amount: Amount, plan: PlanFile, at: TomlPath) -> Iterator[tuple[TomlPath, str]]:
    if isinstance(amount, str) and not isinstance(plan.settings.get(amount), NumberSetting):
        yield at, f"{amount!r} is not a setting that holds a number"
