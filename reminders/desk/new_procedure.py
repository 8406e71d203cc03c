"""Begins a new procedure: a folder that loads at once, in which everything still to be written says TODO."""

from __future__ import annotations

import re
from pathlib import Path

from reminders.care.loading import SHARED_FOLDER
from reminders.care.plan import Plan
from reminders.errors import Fault, InputError
from reminders.sentences import english
from reminders.words import gettext

SCAFFOLD_FOLDER = "scaffold"
"""What is copied, in the shared folder; a practice may change it."""
UNFINISHED = "TODO"
"""A file that holds this word keeps its plan from being approved."""

_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def begin_procedure(templates: Path, procedure: str, *, title: str = "") -> tuple[Path, ...]:
    """Write the folder of a new procedure and return its files, sorted.

    InputError for a name that is no id (small letters, digits, hyphens), or one that is taken.
    """
    if not _ID.fullmatch(procedure) or procedure == SHARED_FOLDER:
        raise InputError(
            gettext(
                "{procedure!r} is no name for a folder: small letters and digits, joined by hyphens",
                procedure=procedure,
            )
        )
    folder = templates / procedure
    if folder.exists():
        raise InputError(gettext("{folder} is there already", folder=folder))
    named = title.strip() or procedure.replace("-", " ").capitalize()
    if not re.fullmatch(r'[^"\\\x00-\x1f\x7f]+', named):
        raise InputError(gettext("a title is one line without quotation marks and backslashes"))
    scaffold = templates / SHARED_FOLDER / SCAFFOLD_FOLDER
    written = []
    for path in sorted(each for each in scaffold.rglob("*") if each.is_file()):
        new = folder / path.relative_to(scaffold)
        new.parent.mkdir(parents=True, exist_ok=True)
        new.write_text(path.read_text(encoding="utf-8").replace("$title", named), encoding="utf-8")
        written.append(new)
    return tuple(written)


def unfinished(plan: Plan) -> tuple[Fault, ...]:
    """Return every line of a plan's own files that still says TODO; () when the plan is finished."""
    return tuple(
        Fault(file=path, line=number, message=english("still to be written: {line}").format(line=line.strip()))
        for path in sorted(each for each in plan.folder.rglob("*") if each.is_file())
        for number, line in enumerate(path.read_text(encoding="utf-8-sig").splitlines(), start=1)
        if re.search(rf"\b{UNFINISHED}\b", line) and not line.lstrip().startswith("#")
    )
