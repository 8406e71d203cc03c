"""What stands sound in a faulty plan file, so that the names in it can be checked in the same run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from reminders.care.plan import ChoiceSetting, DerivedAnchor, Instruction, NumberSetting, PlanFile

Table = TypeVar("Table", bound=BaseModel)

# What stands in for a part that is faulty: it refers to nothing, so it causes no further fault.
_NUMBER = {"default": 0, "lowest": 0, "highest": 0, "unit": "hours", "says": "", "source": ""}
_CHOICE = {"default": "", "choices": [], "says": "", "source": ""}
_ANCHOR = {"after": "procedure_end", "hours": 0, "says": ""}
_INSTRUCTION = {
    "key": "faulty",
    "about": "",
    "when": [{"after": "procedure_end"}],
    "quiet": "later",
    "required": False,
    "importance": 9,
    "in_doubt": "resend",
    "source": "",
}


def draft_of(values: Mapping[str, object]) -> PlanFile:
    """Return the names of a faulty plan file and whatever of it is sound; not fit for anything but looking at them."""
    settings = {
        name: _sound(ChoiceSetting, table, _CHOICE)
        if isinstance(table, Mapping) and "choices" in table
        else _sound(NumberSetting, table, _NUMBER)
        for name, table in _table(values.get("settings")).items()
    }
    instructions = tuple(_instruction(table, number) for number, table in enumerate(_list(values.get("instruction"))))
    desk_message = values.get("desk_message")
    known = instructions[0].key if instructions else ""
    return PlanFile.model_construct(
        factors=tuple(each for each in _list(values.get("factors")) if isinstance(each, str)),
        settings=settings,
        anchors={name: _sound(DerivedAnchor, each, _ANCHOR) for name, each in _table(values.get("anchors")).items()},
        instruction=instructions,
        staff_task=(),
        desk_message=desk_message if isinstance(desk_message, str) else known,
    )


def _instruction(table: object, number: int) -> Instruction:
    key = _table(table).get("key")
    empty = {**_INSTRUCTION, "key": f"faulty_{number}", "useful_hours": 1}
    plain = {
        name: value for name, value in empty.items() if name != "useful_hours" or "useful_until" not in _table(table)
    }
    sound = _sound(Instruction, table, plain, empty=empty)
    return sound.model_copy(update={"key": key}) if isinstance(key, str) else sound


def _sound(
    model: type[Table], table: object, plain: Mapping[str, object], *, empty: Mapping[str, object] | None = None
) -> Table:
    """Return a table with `plain` values where its own are missing or faulty; else the `empty` one."""
    try:
        return model.model_validate(table)
    except ValidationError as error:
        faulty = {each["loc"][0] for each in error.errors() if each["loc"]}
        sound = {name: value for name, value in _table(table).items() if name not in faulty}
    try:
        return model.model_validate({**plain, **sound})
    except ValidationError:
        return model.model_validate(empty or plain)


def _table(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}


def _list(value: object) -> Iterable[object]:
    return value if isinstance(value, list) else ()
