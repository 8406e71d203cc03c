"""Reads, plans and words the later patients of a long list in a second process, while the first ones are stored."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple

from reminders.clock import VirtualClock
from reminders.desk.collector import search_seldom
from reminders.desk.composing import Desk
from reminders.desk.planned_course import PlannedCourse, plan_at_desk, planned
from reminders.desk.plans import PlanLibrary
from reminders.desk.read_enrollment import EnrollmentInput, SoundInput, read
from reminders.desk.row_of_list import input_of
from reminders.errors import ReminderError
from reminders.exchange.enrollment_csv import EnrollmentRow
from reminders.words import language, speaking

WORTH_A_PROCESS = 500
"""Patients; for fewer, a process is hardly ready before they are stored."""
_PARTS_AHEAD = 3

Part = Sequence[EnrollmentRow]


class ReadAhead(NamedTuple):
    """A row that was read and found sound, and its course for a patient nobody knows yet."""

    procedure: str
    sound: SoundInput
    planned: PlannedCourse


Plans = Sequence[ReadAhead | None]


class Ahead:
    """Hands out what the other process has read and planned."""

    def __init__(self, pool: ProcessPoolExecutor | None, desk: Desk, parts: Sequence[Part]) -> None:
        self._pool = pool
        self._started = pool.submit(_is_ready) if pool else None
        self._desk = desk
        self._parts = parts
        self._asked: dict[int, Future[Plans]] = {}
        self._next = 0

    def of_part(self, number: int) -> Plans:
        """Return what was made of each row of a part; None where it is not sound, () when nothing was made.

        Parts are asked for in order. What is missing here the caller works out: this only saves time.
        """
        asked = self._asked.pop(number, None)
        found: Plans = ()
        try:
            if asked is not None and not asked.cancel():
                found = asked.result()
            self._ask_for_those_after(number)
        except (BrokenExecutor, OSError):
            self._pool = None
        return found

    def _ask_for_those_after(self, number: int) -> None:
        # Until the process is there, whoever waited for it would lose time.
        if self._pool is None or self._started is None or not self._started.done():
            return
        for each in range(max(number + 1, self._next), min(number + 1 + _PARTS_AHEAD, len(self._parts))):
            self._asked[each] = self._pool.submit(_plan_here, self._parts[each], self._desk.clock.now())
            self._next = each + 1


@contextmanager
def planning_ahead(desk: Desk, given: EnrollmentInput, parts: Sequence[Part]) -> Iterator[Ahead]:
    """Start a process for a list that is long enough, on a host with a second core."""
    if sum(map(len, parts)) < WORTH_A_PROCESS or (os.cpu_count() or 1) < 2:
        yield Ahead(None, desk, parts)
        return
    # Started afresh, not forked: the caller may hold threads or an open database.
    pool = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"), _begin, (_Bound.of(desk, given),))
    try:
        yield Ahead(pool, desk, parts)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


@dataclass(frozen=True, kw_only=True)
class _Bound:
    """The desk without what can't be handed to a process: plans, which it loads again."""

    desk: Desk
    given: EnrollmentInput
    """What the desk says for every row."""
    language: str
    """Which the staff's warnings are in."""

    @classmethod
    def of(cls, desk: Desk, given: EnrollmentInput) -> _Bound:
        again = replace(desk, library=PlanLibrary(desk.library.folder), clock=VirtualClock(desk.clock.now()))
        return cls(desk=again, given=given, language=language())


_here: list[_Bound] = []
"""What the process that plans knows; it lives as long as the process."""


def _begin(bound: _Bound) -> None:
    _here[:] = [bound]
    bound.desk.library.get(bound.given.procedure)
    search_seldom()


def _is_ready() -> None:
    """Return once the process has begun."""


def _plan_here(part: Part, at: datetime) -> Plans:
    (bound,) = _here
    desk = replace(bound.desk, clock=VirtualClock(at))
    with speaking(bound.language):
        return [_plan(desk, row, bound.given, at) for row in part]


def _plan(desk: Desk, row: EnrollmentRow, given: EnrollmentInput, at: datetime) -> ReadAhead | None:
    if row.problems:
        return None
    try:
        sound = read(desk, input_of(row, given))
        composed = plan_at_desk(desk, sound, at=at)
    except ReminderError:
        return None  # the caller finds the same, and says it
    return ReadAhead(sound.ready.plan.procedure, sound.without_plan(), planned(composed, sound.ready, at=at))
