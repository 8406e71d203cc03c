"""The plan as it was when a course began: kept with the records, and loaded again from there when it has changed."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from contextlib import suppress
from pathlib import Path

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.plans import ReadyPlan, files_of, load_ready
from reminders.errors import NotFound, StateError
from reminders.records import plan_contents
from reminders.records.tables import PlanContent
from reminders.words import gettext


def keep_plan(session: Session, desk: Desk, ready: ReadyPlan) -> None:
    """Keep a plan's content with the records, unless it is there already."""
    if ready.content_hash in session.info or plan_contents.has_content(session, ready.content_hash):
        session.info[ready.content_hash] = True  # a list enrolls many by one plan in one transaction
        return
    root = ready.plan.folder.parent
    files = {path.relative_to(root).as_posix(): path.read_bytes().decode() for path in files_of(ready.plan)}
    content = PlanContent(
        content_hash=ready.content_hash,
        procedure=ready.plan.procedure,
        files=files,
        kept_at=desk.clock.now(),
    )
    plan_contents.keep_content(session, content)


def pinned_plan(session: Session, desk: Desk, procedure: str, content_hash: str) -> ReadyPlan:
    """Return the plan with exactly this content: today's if it is unchanged, else the kept one.

    Raises StateError when it was never kept, or what was kept is no longer what its hash says.
    """
    with suppress(NotFound):  # the practice may have given it up
        today = desk.library.get(procedure)
        if today.content_hash == content_hash:
            return today
    earlier = desk.library.version(content_hash)
    if earlier is None:
        earlier = _load(session, procedure, content_hash)
        desk.library.remember(earlier)
    return earlier


class _Folder:
    """A folder that is removed with the plan loaded from it, at the latest when the program ends."""

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="reminders-plan-"))
        weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)


def _load(session: Session, procedure: str, content_hash: str) -> ReadyPlan:
    content = plan_contents.content_of(session, content_hash)
    if content is None:
        raise StateError(
            gettext(
                "the plan {procedure} has changed, and its earlier content was not kept; enroll anew",
                procedure=procedure,
            )
        )
    folder = _Folder()
    root = folder.path
    for name, text in content.files.items():
        path = (root / name).resolve()
        if not path.is_relative_to(root.resolve()):
            raise StateError(
                gettext("the kept content of {procedure} names a file outside its folder", procedure=procedure)
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
    ready = load_ready(root / procedure, keeps=folder)
    if ready.content_hash != content_hash:
        raise StateError(
            gettext(
                "the kept content of {procedure} was altered: it no longer has the hash it was kept under",
                procedure=procedure,
            )
        )
    return ready
