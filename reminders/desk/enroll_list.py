"""Enroll the patients of a list: the sound rows are stored, the others reported; or all of them, or none."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from sqlalchemy.orm import Session

from reminders.desk.composing import Desk
from reminders.desk.enroll import AlreadyEnrolled, Enrolled, require_approval, store_each
from reminders.desk.read_enrollment import EnrollmentInput, ReadyInput, read
from reminders.errors import ReminderError
from reminders.exchange.enrollment_csv import SETTING, SLOT, EnrollmentRow
from reminders.records.database import Database

ROWS_A_COMMIT = 50
"""A commit waits for the disk; this many rows share one, and no other writer waits long for them."""

_BETWEEN_FACTORS = re.compile(r"[;,|/\n]")
_COURSE_COLUMNS = ("end", "zone", "language", "visit", "block_placed", "dressing_applied", "channel", "site")
_PERSON_COLUMNS = ("procedure", "first_name", "last_name", "phone", "email")


class RowState(StrEnum):
    """What came of a row."""

    ENROLLED = "enrolled"
    ALREADY = "already"  # the same patient, procedure and day: most likely the list was read before
    FAULTY = "faulty"


@dataclass(frozen=True, kw_only=True)
class RowResult:
    """What came of one row of the list."""

    line: int
    state: RowState
    enrollment_id: int | None = None
    """Of the course made, or of the one that is there already."""
    patient_id: int | None = None
    problems: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ListResult:
    """What came of a list."""

    rows: tuple[RowResult, ...]
    stored: bool
    """False when everything was taken back: it was a rehearsal, or a row was faulty and all or nothing was wanted."""

    def of(self, state: RowState) -> tuple[RowResult, ...]:
        """Return the rows that ended like this."""
        return tuple(row for row in self.rows if row.state is state)


@dataclass(frozen=True, kw_only=True)
class ListRules:
    """How a list is enrolled."""

    all_or_nothing: bool = False
    rehearse: bool = False
    """Do everything, then take it back."""
    seen: Callable[[RowResult], None] = lambda _row: None
    """Told of every row, for progress."""


def enroll_list(
    database: Database, desk: Desk, rows: Sequence[EnrollmentRow], given: EnrollmentInput, rules: ListRules
) -> ListResult:
    """Enroll every sound row; `given` says what a row does not say itself.

    Raises InputError when the plan is not approved: then no row could be enrolled.
    """
    with database.reading() as session:
        require_approval(session, desk, desk.library.get(given.procedure))
    results: list[RowResult] = []
    size = len(rows) if rules.all_or_nothing or rules.rehearse else ROWS_A_COMMIT
    stored = True
    for start in range(0, len(rows), max(size, 1)):
        some = rows[start : start + size]
        with database.writing() as session:
            results += _each(session, desk, some, given, rules)
            faulty = any(result.state is RowState.FAULTY for result in results)
            if rules.rehearse or (rules.all_or_nothing and faulty):
                session.rollback()
                stored = False
    return ListResult(rows=tuple(results), stored=stored)


def _each(
    session: Session, desk: Desk, rows: Sequence[EnrollmentRow], given: EnrollmentInput, rules: ListRules
) -> Iterator[RowResult]:
    """Enroll rows within the transaction, some at a time; a faulty one leaves nothing behind."""
    for start in range(0, len(rows), ROWS_A_COMMIT):
        some = rows[start : start + ROWS_A_COMMIT]
        found = [_read(desk, row, given) for row in some]
        stored = iter(store_each(session, desk, [each for each in found if isinstance(each, ReadyInput)]))
        for row, each in zip(some, found, strict=True):
            result = _result(row, next(stored) if isinstance(each, ReadyInput) else each)
            rules.seen(result)
            yield result


def _read(desk: Desk, row: EnrollmentRow, given: EnrollmentInput) -> ReadyInput | tuple[str, ...]:
    """Return a row's enrollment, or everything that is wrong with it."""
    try:
        sound = read(desk, input_of(row, given))
    except ReminderError as error:
        return (*row.problems, *_problems(error))
    return row.problems or sound


def _result(row: EnrollmentRow, outcome: Enrolled | ReminderError | tuple[str, ...]) -> RowResult:
    if isinstance(outcome, Enrolled):
        return RowResult(
            line=row.line,
            state=RowState.ENROLLED,
            enrollment_id=outcome.enrollment_id,
            patient_id=outcome.patient_id,
            warnings=outcome.warnings,
        )
    if isinstance(outcome, AlreadyEnrolled):
        return RowResult(line=row.line, state=RowState.ALREADY, enrollment_id=outcome.enrollment_id)
    problems = _problems(outcome) if isinstance(outcome, ReminderError) else outcome
    return RowResult(line=row.line, state=RowState.FAULTY, problems=tuple(dict.fromkeys(problems)))


def _problems(error: ReminderError) -> tuple[str, ...]:
    return tuple(getattr(error, "problems", (str(error),)))


def input_of(row: EnrollmentRow, given: EnrollmentInput) -> EnrollmentInput:
    """Return what the desk gives for a row: its own cells, and `given` where they are empty."""
    said = row.values
    own: dict[str, Any] = {name: said[name] for name in _COURSE_COLUMNS if name in said}
    course = replace(given.course, **own)
    if "factors" in said:
        course = replace(course, factors=tuple(part.strip() for part in _BETWEEN_FACTORS.split(said["factors"])))
    settings = {name.removeprefix(SETTING): text for name, text in said.items() if name.startswith(SETTING)}
    slots = {name.removeprefix(SLOT): text for name, text in said.items() if name.startswith(SLOT)}
    night = row.says("night_contact")
    course = replace(
        course,
        settings={**course.settings, **settings},
        slots={**course.slots, **slots},
        night_contact_agreed=course.night_contact_agreed if night is None else night,
    )
    person: dict[str, Any] = {name: said[name] for name in _PERSON_COLUMNS if name in said}
    consent, again = row.says("consent"), row.says("again")
    return replace(
        given,
        course=course,
        consent=given.consent if consent is None else consent,
        again=given.again if again is None else again,
        **person,
    )
