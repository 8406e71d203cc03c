"""A long list is planned by a second process while the first one stores: quicker, and else the same."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import pytest

from reminders.desk import enroll_list as lists
from reminders.desk import planning_ahead as planning
from reminders.desk.composing import Desk
from reminders.desk.enroll_list import ListResult, ListRules, RowResult, RowState, enroll_list
from reminders.desk.planned_course import plan_at_desk, planned
from reminders.desk.planning_ahead import Part, Plans, planning_ahead
from reminders.desk.read_enrollment import EnrollmentInput, read
from reminders.desk.row_of_list import input_of
from reminders.exchange.enrollment_csv import EnrollmentRow
from reminders.words import speaking
from tests.desk.office import Office

Opener = Callable[..., Office]
_FACTORS = ("none", "diabetes", "blood_thinner_not_warfarin", "child", "no ibuprofen, liver", "what is this")
"""The last is one that no plan knows."""


def _row(number: int, **values: str) -> EnrollmentRow:
    typed = {
        "first_name": f"Robin{number}",
        "last_name": "Invented",
        "phone": f"(312) 555-01{number % 100:02}",
        "end": f"2026-06-10T{8 + number % 3:02}:{number % 60:02}",
        "factors": _FACTORS[number % len(_FACTORS)],
    }
    return EnrollmentRow(line=number + 2, values=typed | values, problems=())


def _rows() -> list[EnrollmentRow]:
    """Sound and faulty rows, one patient twice on a day, and one who shares a number with a stranger."""
    rows = [_row(number) for number in range(40)]
    rows[17] = _row(17, end="yesterday")
    rows[23] = _row(3)
    rows[31] = _row(4, end="2026-06-09T09:04", first_name="Somebody")
    return rows


def _given(office: Office) -> EnrollmentInput:
    return office.given(first_name="", last_name="", phone="", end="")


def _enroll(office: Office, rows: Sequence[EnrollmentRow], seen: Callable[[RowResult], None]) -> ListResult:
    return enroll_list(office.database, office.desk, rows, _given(office), ListRules(seen=seen))


class _AllAtOnce:
    """Everything is planned before it is asked for, as if the other process were very quick."""

    def __init__(self, desk: Desk, given: EnrollmentInput, parts: Sequence[Part]) -> None:
        planning._begin(planning._Bound.of(desk, given))
        self._plans = [planning._plan_here(part, desk.clock.now()) for part in parts]

    def of_part(self, number: int) -> Plans:
        return self._plans[number]


def test_a_list_planned_ahead_is_stored_as_one_that_was_not(office_at: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lists, "ROWS_A_COMMIT", 7)
    here, ahead = office_at(), office_at()
    for office in (here, ahead):
        office.enroll(first_name="Robin5", phone="(312) 555-0105", end="2026-06-08T09:00")  # known, with a course
    one = _enroll(here, _rows(), lambda _row: None)

    @contextmanager
    def all_at_once(desk: Desk, given: EnrollmentInput, parts: Sequence[Part]) -> Iterator[_AllAtOnce]:
        yield _AllAtOnce(desk, given, parts)

    monkeypatch.setattr(lists, "planning_ahead", all_at_once)
    assert _enroll(ahead, _rows(), lambda _row: None) == one
    assert ahead.dump() == here.dump()
    assert {row.state for row in one.rows} == set(RowState)


def test_the_other_process_plans_what_would_be_planned_here(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "WORTH_A_PROCESS", 1)
    parts = [[_row(number), _row(number + 1, factors="")] for number in range(1_000)]
    given = _given(office)  # says nothing of factors, so each patient without any gets a warning
    met = 0
    with speaking("es"), planning_ahead(office.desk, given, parts) as ahead:
        for number, part in enumerate(parts):
            plans = ahead.of_part(number)
            if not plans:
                time.sleep(0.05)  # until the process has begun
                continue
            for row, plan in zip(part, plans, strict=True):
                if "what" in row.values["factors"]:
                    assert plan is None
                    continue
                sound = read(office.desk, input_of(row, given))
                composed = plan_at_desk(office.desk, sound, at=office.clock.now())
                assert plan is not None
                assert plan.sound == sound.without_plan()
                assert bool(plan.sound.warnings) == (not row.values["factors"])
                assert plan.planned == planned(composed, sound.ready, at=office.clock.now())
            met += 1
            if met == 5:
                break
    assert met == 5


def test_a_list_is_stored_whole_when_the_other_process_dies(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "WORTH_A_PROCESS", 1)
    monkeypatch.setattr(lists, "ROWS_A_COMMIT", 5)
    killed: list[int] = []

    def kill(result: RowResult) -> None:
        if result.line == 20 and not killed:
            for process in multiprocessing.active_children():
                process.kill()
                killed.append(process.pid or 0)

    rows = [_row(number, factors="none") for number in range(60)]
    result = _enroll(office, rows, kill)
    assert killed
    assert {row.state for row in result.rows} == {RowState.ENROLLED}
    assert len(office.dump()["enrollment"]) == len(rows)


def test_a_short_list_starts_no_process(office: Office) -> None:
    with planning_ahead(office.desk, _given(office), [[_row(1)]]):
        assert not multiprocessing.active_children()
