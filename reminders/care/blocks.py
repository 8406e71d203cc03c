"""Puts a plan together from its own file and the blocks that it names, and knows where each value stands.

A block is a file of `shared/blocks/` with the same tables as a plan. A plan that names it holds its tables too. What
the plan's own file says of a setting, an anchor or an instruction with the same name changes only the keys it gives.
Conditions on patient factors that the plan does not list fall away, and with them what was for those patients only.
"""

from __future__ import annotations

import pathlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from reminders.care.toml_lines import Path, Places
from reminders.errors import Fault
from reminders.sentences import english

BLOCKS_FOLDER = "blocks"
NAMED_TABLES = ("settings", "anchors", "sources")
"""Tables by name, in which a plan changes single keys of a block."""
LISTS = ("instruction", "staff_task", "warning_sign")
"""Lists of tables; those with a `key` are changed like named ones."""
FACTORS = "factors"
"""The patient factors of a block count as listed in the plan."""
CONDITIONS = ("words_change_with", "only_if_any", "not_if_any")

Values = dict[str, object]
Read = Callable[[pathlib.Path], tuple[Values, Mapping[Path, int]] | None]
"""Reads one TOML file, None when it is faulty; the reader keeps the faults."""


@dataclass(frozen=True)
class _Source:
    file: pathlib.Path
    values: Values
    lines: Mapping[Path, int]


def with_blocks(
    own: tuple[Values, Mapping[Path, int]], file: pathlib.Path, *, read: Read, factors: frozenset[str]
) -> tuple[Values, Places, list[Fault]]:
    """Return the plan's values with those of its blocks, where each stands, and what is wrong with the blocks.

    `factors` are all known patient factors; empty when they could not be read, then no condition falls away.
    """
    plan = _Source(file, *own)
    faults: list[Fault] = []
    sources = [*_blocks(plan, read, faults), plan]
    merged = _Merged()
    for source in sources:
        merged.take(source, is_plan=source is plan)
    merged.leave_out(plan, faults)
    listed = list(dict.fromkeys(name for source in sources for name in _list(source.values.get(FACTORS))))
    merged.forget_conditions(factors - frozenset(map(str, listed)))
    values = merged.values(plan)
    if listed and isinstance(values.get(FACTORS, []), list):
        values[FACTORS] = listed
    return values, merged.places(plan), faults


def _blocks(plan: _Source, read: Read, faults: list[Fault]) -> Iterator[_Source]:
    folder = plan.file.parent.parent / "shared" / BLOCKS_FOLDER
    for name in _list(plan.values.get("blocks")):
        file = folder / f"{name}.toml"
        there = {each.stem for each in folder.glob("*.toml")}
        if name not in there:
            known = ", ".join(sorted(there)) or "none"
            message = english("there is no block {name!r}; there are {known}").format(name=name, known=known)
            faults.append(Fault(file=plan.file, line=plan.lines.get(("blocks",), 0), message=message))
        elif found := read(file):
            values, lines = found
            for key in sorted(set(values) - {FACTORS, *NAMED_TABLES, *LISTS}):
                message = english("{key}: a block holds only {known}").format(
                    key=key, known=", ".join((FACTORS, *NAMED_TABLES, *LISTS))
                )
                faults.append(Fault(file=file, line=lines.get((key,), 0), message=message))
            yield _Source(file, values, lines)


@dataclass
class _Row:
    """One table of a list, with the file and path of each of its parts; the latest source that gave a part counts."""

    values: Values
    origins: list[tuple[_Source, Path]]
    from_block: bool
    changed: bool = False
    """The plan's own file changed it."""


class _Merged:
    def __init__(self) -> None:
        self._named: dict[str, dict[str, object]] = {name: {} for name in NAMED_TABLES}
        self._named_origins: dict[Path, tuple[pathlib.Path, int]] = {}
        self._rows: dict[str, list[_Row]] = {name: [] for name in LISTS}

    def take(self, source: _Source, *, is_plan: bool) -> None:
        for table in NAMED_TABLES:
            for name, value in _table(source.values.get(table)).items():
                before = self._named[table].get(name)
                both = isinstance(before, dict) and isinstance(value, dict)
                self._named[table][name] = {**before, **value} if both else value  # type: ignore[dict-item]  # just asked
        for path, line in source.lines.items():
            if path[0] in NAMED_TABLES:
                self._named_origins[path] = source.file, line
        for name in LISTS:
            for index, value in enumerate(_list(source.values.get(name))):
                self._take_row(name, _Row(_table(value), [(source, (name, index))], from_block=not is_plan))

    def _take_row(self, name: str, row: _Row) -> None:
        key = row.values.get("key")
        known = next((each for each in self._rows[name] if key and each.values.get("key") == key), None)
        if known is None or row.from_block or not known.from_block or known.changed:
            self._rows[name].append(row)  # the same key twice is a fault, and found as one
            return
        known.changed = True
        known.values = {**known.values, **row.values}
        if "useful_until" in row.values or "useful_hours" in row.values:
            other = "useful_hours" if "useful_until" in row.values else "useful_until"
            known.values.pop(other, None)
        known.origins += row.origins

    def leave_out(self, plan: _Source, faults: list[Fault]) -> None:
        for key in _list(plan.values.get("leave_out")):
            rows = [
                (name, row)
                for name in LISTS
                for row in self._rows[name]
                if row.from_block and row.values.get("key") == key
            ]
            if not rows:
                message = english("no block of this plan has {key!r}").format(key=key)
                faults.append(Fault(file=plan.file, line=plan.lines.get(("leave_out",), 0), message=message))
            for name, row in rows:
                self._rows[name].remove(row)

    def forget_conditions(self, unlisted: frozenset[str]) -> None:
        for name in LISTS:
            kept = [row for row in self._rows[name] if not row.from_block or _forget(row.values, unlisted)]
            self._rows[name] = kept

    def values(self, plan: _Source) -> Values:
        tables = {name: each for name, each in self._named.items() if each or name in plan.values}
        lists: Values = {
            name: [row.values for row in rows] for name, rows in self._rows.items() if rows or name in plan.values
        }
        # What is no table or list at all stays as it is, so that it is reported.
        misshapen = {
            name: value
            for name, value in plan.values.items()
            if (name in NAMED_TABLES and not isinstance(value, dict)) or (name in LISTS and not isinstance(value, list))
        }
        return {**plan.values, **tables, **lists, **misshapen}

    def places(self, plan: _Source) -> Places:
        known: dict[Path, tuple[pathlib.Path, int]] = {
            path: (plan.file, line) for path, line in plan.lines.items() if path[0] not in LISTS
        }
        known |= self._named_origins
        for name, rows in self._rows.items():
            for index, row in enumerate(rows):
                for source, (_, there) in row.origins:
                    for path, line in source.lines.items():
                        if path[:2] == (name, there):
                            known[(name, index, *path[2:])] = source.file, line
            if (name,) in plan.lines:
                known[name,] = plan.file, plan.lines[name,]
        return Places(plan.file, known)


def _forget(values: Values, unlisted: frozenset[str]) -> bool:
    """Take conditions on unlisted factors out of a block's table; False when it is for nobody then."""
    for field in CONDITIONS:
        if field not in values:
            continue
        listed = [each for each in _list(values[field]) if each not in unlisted]
        if field == "only_if_any" and not listed and values[field]:
            return False
        values[field] = listed
    if "texts" in values:
        choices = [dict(_table(each)) for each in _list(values["texts"])]
        values["texts"] = [each for each in choices if _still_chosen(each, unlisted)]
    return True


def _still_chosen(choice: Values, unlisted: frozenset[str]) -> bool:
    if not unlisted.isdisjoint(_list(choice.get("if_all"))):
        return False
    if any_of := _list(choice.get("if_any")):
        choice["if_any"] = [each for each in any_of if each not in unlisted]
        return bool(choice["if_any"])
    return True


def _table(value: object) -> Values:
    return dict(value) if isinstance(value, dict) else {}


def _list(value: object) -> list[object]:
    return value if isinstance(value, list) else []
