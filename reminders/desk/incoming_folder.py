"""Takes in the files that other systems drop into the practice's folder, again and again."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from pathlib import Path

from reminders.delivery.tell_staff import TellStaff
from reminders.desk.composing import Desk
from reminders.desk.waiting import take_in
from reminders.errors import InputError
from reminders.exchange.drop_folder import put_aside, ready_files
from reminders.records.database import Database
from reminders.words import marked

_LOG = logging.getLogger(__name__)
_SUMMARY = marked(
    "A file with patients to enroll was refused, wholly or in part. Look into the folder `refused`: it says why."
)


@dataclass(frozen=True, kw_only=True)
class FolderReport:
    """What came of the files that lay there."""

    files: int = 0
    added: int = 0
    known: int = 0
    refused: int = 0


def take_in_files(database: Database, desk: Desk, folder: Path) -> FolderReport:
    """Take in every file that is complete.

    What a file tells is kept, sealed, before the file is deleted, so a fault in between only has it read again, and
    recognised: of what it holds besides, such as a date of birth, nothing stays. A file with faults goes to `refused`
    with its reasons, and staff are told once; the sound part of it is kept.
    """
    tell_staff = TellStaff(
        practice_id=desk.practice_id,
        database=lambda: database,
        clock=desk.clock,
        concern_due=lambda urgency, at: desk.due.due_at(urgency, at, desk.opening),
    )
    files = added = known = refused = 0
    for path in ready_files(folder):
        files += 1
        problems: tuple[str, ...]
        try:
            content = path.read_bytes()
            with database.writing() as session:
                done = take_in(session, desk, content)
            added, known, problems = added + len(done.added), known + done.known, done.problems
        except InputError as error:
            problems = error.problems
        if problems:
            refused += 1
            tell_staff("incoming folder", urgency="routine", summary=_SUMMARY)
            put_aside(path, "\n".join(problems))
        else:
            path.unlink()
    if files:
        _LOG.info("files_taken_in", extra={"files": files, "added": added, "known": known, "refused": refused})
    return FolderReport(files=files, added=added, known=known, refused=refused)
