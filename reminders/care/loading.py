"""Reads a procedure folder and reports every fault in it at once, each with its file and line."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from reminders.care.blocks import with_blocks
from reminders.care.drafts import draft_of
from reminders.care.plan import Anaesthetic, ChoiceSetting, Factor, Plan, PlanFile, SharedRow, Site
from reminders.care.references import reference_faults
from reminders.care.toml_lines import Path as TomlPath
from reminders.care.toml_lines import Places, line_index
from reminders.errors import Fault, NotFound, PlanError
from reminders.sentences import english

PLAN_FILE = "plan.toml"
SHARED_FOLDER = "shared"

Row = TypeVar("Row", bound=SharedRow)


def load_plan(folder: Path) -> Plan:
    """Load one procedure folder with the tables beside it in `shared/`.

    Raises NotFound when there is no such folder, PlanError with every fault found. Texts are checked by
    `reminders.wording`, which can read them.
    """
    if not (folder / PLAN_FILE).is_file():
        known = ", ".join(procedures_in(folder.parent)) or "none"
        raise NotFound(
            english("no procedure {name!r}: {folder} has no {file}; there are: {known}").format(
                name=folder.name, folder=folder, file=PLAN_FILE, known=known
            )
        )
    shared = folder.parent / SHARED_FOLDER
    faults: list[Fault] = []
    factors = _rows(shared / "factors.toml", Factor, faults)
    plan_file, places = _read_plan(folder / PLAN_FILE, frozenset(factors), faults)
    anaesthetics = _anaesthetics(shared / "anaesthetics.toml", site_of(plan_file), faults)
    if plan_file is not None:
        for where, message in reference_faults(plan_file, factors):
            file, line = places.of(where)
            faults.append(Fault(file=file, line=line, message=message))
    if faults or plan_file is None:
        raise PlanError(tuple(faults))
    return Plan(
        procedure=folder.name,
        folder=folder,
        shared=shared,
        file=plan_file,
        anaesthetics=anaesthetics,
        factors=factors,
        places=places,
    )


def site_of(plan: PlanFile | None) -> Site:
    """Return at what kind of site a plan's anaesthetic is given; a digit when it says nothing of any."""
    settings = plan.settings.values() if plan is not None else ()
    sites = (each.at for each in settings if isinstance(each, ChoiceSetting) and each.choices == "anaesthetics")
    return next(sites, Site.DIGIT)


def procedures_in(folder: Path) -> tuple[str, ...]:
    """Return the names of the procedure folders below `folder`, sorted; empty when there is none."""
    return tuple(sorted(found.parent.name for found in folder.glob(f"*/{PLAN_FILE}")))


def _read_plan(path: Path, factors: frozenset[str], faults: list[Fault]) -> tuple[PlanFile | None, Places]:
    """Return the plan file, of a faulty one its sound parts, so that all faults are found in one run."""
    read = _read_toml(path, faults)
    if read is None:
        return None, Places()
    values, places, found = with_blocks(read, path, read=lambda file: _read_toml(file, faults), factors=factors)
    faults += found
    try:
        return PlanFile.model_validate(values), places
    except ValidationError as error:
        faults += _validation_faults(error, places, values)
        return draft_of(values), places


def _rows(path: Path, row: type[Row], faults: list[Fault]) -> dict[str, Row]:
    read = _read_toml(path, faults)
    if read is None:
        return {}
    values, lines = read
    return _sound_rows(values, row, _places(path, lines), faults)


def _anaesthetics(path: Path, site: Site, faults: list[Fault]) -> dict[str, Anaesthetic]:
    """Return the agents at one kind of site; the others are looked at for faults too."""
    read = _read_toml(path, faults)
    if read is None:
        return {}
    values, lines = read
    places = _places(path, lines)
    found: dict[str, dict[str, Anaesthetic]] = {}
    for name, part in values.items():
        if name not in set(Site) or not isinstance(part, dict):
            message = english("{name}: the tables of this file are called {known}").format(
                name=name, known=", ".join(f"{each}.agent" for each in Site)
            )
            faults.append(Fault(file=path, line=places.of((name,))[1], message=message))
        else:
            found[name] = _sound_rows(part, Anaesthetic, places, faults, within=(name,))
    return found.get(site, {})


def _sound_rows(
    values: Mapping[str, object], row: type[Row], places: Places, faults: list[Fault], *, within: TomlPath = ()
) -> dict[str, Row]:
    table: dict[str, Row] = {}
    names: dict[str, str] = {}
    for key, value in values.items():
        try:
            table[key] = row.model_validate(value)
        except ValidationError as error:
            faults += _validation_faults(error, places, values, within=(*within, key))
            continue
        for name in (key, *table[key].aliases):
            if names.setdefault(name, key) != key:
                file, line = places.of((*within, key, "aliases"))
                faults.append(
                    Fault(
                        file=file,
                        line=line,
                        message=english("{name!r} means {meaning} already").format(name=name, meaning=names[name]),
                    )
                )
    return table


def _places(path: Path, lines: Mapping[TomlPath, int]) -> Places:
    return Places(path, {where: (path, line) for where, line in lines.items()})


def _read_toml(path: Path, faults: list[Fault]) -> tuple[dict[str, object], Mapping[TomlPath, int]] | None:
    content = b""
    try:
        content = path.read_bytes()
        source = content.decode("utf-8-sig")
        return tomllib.loads(source), line_index(source)
    except FileNotFoundError:
        faults.append(Fault(file=path, line=0, message=english("this file is missing")))
    except OSError as error:
        faults.append(
            Fault(file=path, line=0, message=english("this file can't be read: {reason}").format(reason=error.strerror))
        )
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        faults.append(
            Fault(
                file=path,
                line=line,
                message=english("save it as UTF-8; {reason} at byte {byte}").format(
                    reason=error.reason, byte=error.start
                ),
            )
        )
    except tomllib.TOMLDecodeError as error:
        line = _line_in(str(error)) or content.count(b"\n") + 1
        faults.append(Fault(file=path, line=line, message=english("not valid TOML: {error}").format(error=error)))
    return None


def _line_in(message: str) -> int:
    """Return the line that the standard parser names only inside its message; 0 for the end of the file."""
    after = message.partition("at line ")[2]
    digits = after.partition(",")[0]
    return int(digits) if digits.isdigit() else 0


def _validation_faults(
    error: ValidationError, places: Places, values: Mapping[str, object], *, within: TomlPath = ()
) -> Iterator[Fault]:
    errors = error.errors(include_url=False)
    for each in errors:
        if each["type"] == "too_short" and any(
            other["loc"][:-1][: len(each["loc"])] == each["loc"] for other in errors
        ):
            continue  # the list is empty only because its faulty items don't count
        where = (*within, *_without_tags(each["loc"]))
        message = english("this key is not known") if each["type"] == "extra_forbidden" else each["msg"]
        named = ".".join(_names(where, values))
        text = message.removeprefix("Value error, ")
        file, line = places.of(where)
        yield Fault(file=file, line=line, message=f"{named}: {text}" if named else text)


def _without_tags(loc: Sequence[str | int]) -> TomlPath:
    """Return a place as the file has it: the validator names the kind of a setting and of a timing in between."""
    parts: list[str | int] = []
    rest = iter(loc)
    for part in rest:
        parts.append(part)
        if (len(parts) == 2 and parts[0] == "settings") or (parts[-2:-1] == ["when"] and isinstance(part, int)):
            next(rest, None)
    return tuple(parts)


def _names(where: TomlPath, values: object) -> Iterator[str]:
    """Yield the parts of a place as a reader names them: an instruction by its key, else counted from 1."""
    for part in where:
        try:
            values = values[part]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            values = None
        key = values.get("key") if isinstance(values, dict) else None
        yield str(key) if isinstance(part, int) and key else str(part + 1 if isinstance(part, int) else part)
