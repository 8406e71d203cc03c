"""The plans at hand: loaded once with their texts, every fault reported, each with the hash of its content."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from reminders.care.blocks import BLOCKS_FOLDER
from reminders.care.loading import SHARED_FOLDER, load_plan, procedures_in
from reminders.care.plan import Plan
from reminders.errors import NotFound, PlanError
from reminders.wording.languages import TranslationStatus
from reminders.wording.render import Wording
from reminders.words import gettext


@dataclass(frozen=True, kw_only=True)
class ReadyPlan:
    """A plan with its texts, fit to be expanded and rendered."""

    plan: Plan
    wording: Wording
    content_hash: str
    """Over every file the plan may use; approval is of exactly this content."""
    statuses: Mapping[str, TranslationStatus]
    """Of each language, how far its texts can be trusted."""
    keeps: object = None
    """What has to live as long as the plan does: the folder that an earlier content was written to."""


class PlanLibrary:
    """The procedure folders of a practice; a plan is read at its first use."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._ready: dict[str, ReadyPlan] = {}
        self._earlier: dict[str, ReadyPlan] = {}
        self._titles: dict[str, tuple[tuple[int, int], str]] = {}
        """Of plans not in use, as their files had them when they were of this age and size."""

    @property
    def folder(self) -> Path:
        """Where the procedure folders are."""
        return self._folder

    @property
    def shared(self) -> Path:
        """The folder of what all procedures share."""
        return self._folder / SHARED_FOLDER

    def names(self) -> tuple[str, ...]:
        """Return the procedures there are, sorted."""
        return procedures_in(self._folder)

    def get(self, procedure: str) -> ReadyPlan:
        """Return a plan; raises NotFound, or PlanError with every fault of the plan and of its texts."""
        ready = self._ready.get(procedure)
        if ready is None:
            if procedure not in self.names():
                known = ", ".join(self.names()) or "none"
                raise NotFound(
                    gettext(
                        "no procedure {procedure!r} in {folder}; there are: {known}",
                        procedure=procedure,
                        folder=self._folder,
                        known=known,
                    )
                )
            ready = self._ready[procedure] = load_ready(self._folder / procedure)
        return ready

    def titles(self) -> Mapping[str, str]:
        """Return every procedure with its title, sorted by title; loads no plan, so a faulty one is listed, too."""
        found = {name: self._title(name) for name in self.names()}
        return dict(sorted(found.items(), key=lambda each: each[1].casefold()))

    def _title(self, procedure: str) -> str:
        if procedure in self._ready:
            return self._ready[procedure].plan.file.title
        path = self._folder / procedure / "plan.toml"
        try:
            found = path.stat()
            stamp = (found.st_mtime_ns, found.st_size)
            kept = self._titles.get(procedure)
            if kept is None or kept[0] != stamp:
                kept = self._titles[procedure] = stamp, str(tomllib.loads(path.read_text("utf-8-sig"))["title"])
        except (OSError, ValueError, KeyError):
            return procedure
        return kept[1]

    def version(self, content_hash: str) -> ReadyPlan | None:
        """Return an earlier content of a plan that was loaded before, None when it was not."""
        return self._earlier.get(content_hash)

    def remember(self, ready: ReadyPlan) -> None:
        """Keep an earlier content of a plan at hand."""
        self._earlier[ready.content_hash] = ready


def load_ready(folder: Path, *, keeps: object = None) -> ReadyPlan:
    """Load a procedure folder with its texts; raises PlanError with every fault of the plan or of its texts."""
    plan = load_plan(folder)
    wording = Wording(plan)
    if faults := wording.faults():
        raise PlanError(faults)
    statuses = {language: wording.translation_status(language) for language in plan.file.languages}
    return ReadyPlan(plan=plan, wording=wording, content_hash=content_hash(plan), statuses=statuses, keeps=keeps)


def content_hash(plan: Plan) -> str:
    """Return the SHA-256 over the names and bytes of every file the plan may use, as 64 hex digits."""
    digest = hashlib.sha256()
    for path in files_of(plan):
        name = path.relative_to(plan.folder.parent).as_posix().encode()
        content = path.read_bytes()
        digest.update(b"%d:%s%d:" % (len(name), name, len(content)))
        digest.update(content)
    return digest.hexdigest()


def files_of(plan: Plan) -> Iterator[Path]:
    """Yield the plan's own files and the shared ones of its languages, in a fixed order."""
    folders = (plan.folder, plan.shared)
    found = {path for folder in folders for path in folder.glob("*.toml")}
    found |= {plan.shared / BLOCKS_FOLDER / f"{name}.toml" for name in plan.file.blocks}
    for folder in folders:
        for language in plan.file.languages:
            found |= {path for path in (folder / language).rglob("*") if path.is_file()}
    yield from sorted(found)
