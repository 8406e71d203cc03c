"""Enroll the patients of a list: the sound rows are stored, the others reported; or all of them, or none."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy.orm import Session

from reminders.desk.collector import searching_seldom
from reminders.desk.composing import Desk
from reminders.desk.enroll import AlreadyEnrolled, Stored, ToStore, require_approval, shown_by_trial, store_each
from reminders.desk.planning_ahead import Plans, ReadAhead, planning_ahead
from reminders.desk.read_enrollment import EnrollmentInput, ReadyInput, read
from reminders.desk.row_of_list import input_of
from reminders.desk.trail import Action, Look, note_change, note_looks
from reminders.errors import ReminderError
from reminders.exchange.enrollment_csv import EnrollmentRow
from reminders.records.database import Database

ROWS_A_COMMIT = 100
"""A commit waits for the disk; this many rows share one, and no other writer waits long for them."""


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
    shows: tuple[Look, ...] = ()
    """Of whom it tells something when it is not stored: patients who were here before."""
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
    with searching_seldom():
        result = _enroll_all(database, desk, rows, given, rules)
    if result.stored:
        with database.writing() as session:
            counts = Counter(str(each.state) for each in result.rows)
            note_change(session, desk, Action.LIST_IMPORT, (None, ""), counts)
    told = (each for each in result.rows if not result.stored or each.state is RowState.ALREADY)
    note_looks(database, desk, Action.PATIENT_TRY, (look for each in told for look in each.shows))
    return result


def _enroll_all(
    database: Database, desk: Desk, rows: Sequence[EnrollmentRow], given: EnrollmentInput, rules: ListRules
) -> ListResult:
    parts = [rows[start : start + ROWS_A_COMMIT] for start in range(0, len(rows), ROWS_A_COMMIT)]
    results: list[RowResult] = []
    with planning_ahead(desk, given, parts) as ahead:

        def enroll_part(session: Session, number: int) -> None:
            for result in _each(session, desk, _with_plans(desk, parts[number], given, ahead.of_part(number))):
                rules.seen(result)
                results.append(result)

        if not (rules.all_or_nothing or rules.rehearse):
            for number in range(len(parts)):
                with database.writing() as session:
                    enroll_part(session, number)
            return ListResult(rows=tuple(results), stored=True)
        with database.writing() as session:
            for number in range(len(parts)):
                enroll_part(session, number)
            stored = not rules.rehearse and not any(each.state is RowState.FAULTY for each in results)
            if not stored:
                session.rollback()
        return ListResult(rows=tuple(results), stored=stored)


_Found = ToStore | tuple[str, ...]
"""What a row says, or everything that is wrong with it."""


def _with_plans(
    desk: Desk, rows: Sequence[EnrollmentRow], given: EnrollmentInput, plans: Plans
) -> list[tuple[EnrollmentRow, _Found]]:
    return [
        (row, (ahead and _as_planned(desk, ahead)) or _read(desk, row, given))
        for row, ahead in zip(rows, plans or [None] * len(rows), strict=True)
    ]


def _as_planned(desk: Desk, ahead: ReadAhead) -> ToStore | None:
    """Return what another process read and planned; None when it did so by another state of the plan's files."""
    ready = desk.library.get(ahead.procedure)
    if ready.content_hash != ahead.planned.content_hash:
        return None
    return ToStore(ReadyInput(**vars(ahead.sound), ready=ready), ahead.planned)


def _each(session: Session, desk: Desk, found: Sequence[tuple[EnrollmentRow, _Found]]) -> Iterator[RowResult]:
    """Enroll rows within the transaction; a faulty one leaves nothing behind."""
    stored = iter(store_each(session, desk, [each for _row, each in found if isinstance(each, ToStore)]))
    for row, each in found:
        yield _result(row, next(stored) if isinstance(each, ToStore) else each)


def _read(desk: Desk, row: EnrollmentRow, given: EnrollmentInput) -> _Found:
    try:
        sound = read(desk, input_of(row, given))
    except ReminderError as error:
        return (*row.problems, *_problems(error))
    return row.problems or ToStore(sound)


def _result(row: EnrollmentRow, outcome: Stored | ReminderError | tuple[str, ...]) -> RowResult:
    if isinstance(outcome, Stored):
        return RowResult(
            line=row.line,
            state=RowState.ENROLLED,
            enrollment_id=outcome.enrollment_id,
            patient_id=outcome.patient_id,
            shows=shown_by_trial(outcome),
            warnings=outcome.warnings,
        )
    if isinstance(outcome, AlreadyEnrolled):
        return RowResult(
            line=row.line, state=RowState.ALREADY, enrollment_id=outcome.enrollment_id, shows=shown_by_trial(outcome)
        )
    problems = _problems(outcome) if isinstance(outcome, ReminderError) else outcome
    return RowResult(line=row.line, state=RowState.FAULTY, problems=tuple(dict.fromkeys(problems)))


def _problems(error: ReminderError) -> tuple[str, ...]:
    return tuple(getattr(error, "problems", (str(error),)))
