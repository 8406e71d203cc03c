"""Runs the proof of plans, in several processes where there is enough to do, and gathers what they find."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from reminders.desk.collector import search_seldom
from reminders.desk.composing import House
from reminders.desk.plans import PlanLibrary
from reminders.desk.prove.findings import Finding, Ledger, Severity, of_faults
from reminders.desk.prove.prover import Prover, Tally
from reminders.desk.prove.shrinking import shrunk
from reminders.desk.prove.strands import Depth, Effort, Space, Strand, space_of
from reminders.errors import PlanError

MOST_EXAMPLES = 60
"""Findings whose examples are made small; beyond that they are given as they were met."""

COSTS = {Depth.ALONE: 1, Depth.TOGETHER: 7, Depth.KINDS: 7, Depth.WORDS: 14}
"""How much work a case is, against one of a single instruction (measured), so that processes end together."""

Progress = Callable[[int, int], None]
"""Told how many cases are done, of how many."""


@dataclass(frozen=True, kw_only=True)
class Report:
    """The proof of one plan."""

    procedure: str
    findings: tuple[Finding, ...]
    cases: dict[str, int] = field(default_factory=dict)
    """Enrollments worked out, by block."""
    refused: int = 0
    space: Space | None = None
    """None when the plan could not be loaded."""
    statuses: dict[str, str] = field(default_factory=dict)
    """How far each language's texts can be trusted."""
    seconds: float = 0.0
    processes: int = 1

    @property
    def holds(self) -> bool:
        """Whether nothing falls short; notices don't count."""
        return not any(each.severity is Severity.FAULT for each in self.findings)


@dataclass(frozen=True, kw_only=True)
class Bound:
    """What a process needs to know to prove a plan."""

    templates: Path
    house: House


def prove(
    procedure: str,
    bound: Bound,
    *,
    effort: Effort = Effort.FULL,
    processes: int | None = None,
    progress: Progress | None = None,
) -> Report:
    """Return the proof of one plan; a plan that can't be loaded is a report too, with its faults.

    NotFound when there is no such procedure. `processes` are the cores at hand if not said.
    """
    began = time.monotonic()
    count = 1 if effort is Effort.QUICK else processes or os.cpu_count() or 1
    try:
        prover = Prover(PlanLibrary(bound.templates).get(procedure), bound.house)
        with _workers(procedure, bound, count) as pool:
            report = _proved(prover, effort, pool, count, progress)
    except PlanError as error:
        report = Report(procedure=procedure, findings=tuple(of_faults(error.faults)))
    return replace(report, seconds=time.monotonic() - began)


def _proved(
    prover: Prover, effort: Effort, pool: ProcessPoolExecutor | None, count: int, progress: Progress | None
) -> Report:
    ledger = Ledger()
    cases: dict[str, int] = dict.fromkeys(Depth, 0)
    ledger.add(prover.plan_findings())
    space = space_of(prover.bench, prover.files, effort)
    total = sum(len(strand.minutes) for strand in space.strands)
    refused = 0
    for depths, found, tally in _worked(_batches(space.strands, parts=20 * count), pool, prover):
        ledger.add(found)
        for depth, number in depths.items():
            cases[depth] += number
        refused += tally.refused
        if progress is not None:
            progress(sum(cases.values()), total)
    findings = [shrunk(each, prover) if at < MOST_EXAMPLES else each for at, each in enumerate(ledger.sorted())]
    return Report(
        procedure=prover.plan.procedure,
        findings=tuple(findings),
        cases=cases,
        refused=refused,
        space=space,
        statuses={language: str(prover.files.status(language)) for language in prover.plan.file.languages},
        processes=count,
    )


Worked = tuple[dict[str, int], tuple[Finding, ...], Tally]


def _batches(strands: Sequence[Strand], *, parts: int) -> list[tuple[Strand, ...]]:
    """Return the strands in about so many batches of like work, like beside like."""
    total = sum(map(_work_of, strands))
    batches: list[tuple[Strand, ...]] = []
    waiting: list[Strand] = []
    size = 0
    for strand in strands:
        waiting.append(strand)
        size += _work_of(strand)
        if size * parts >= total:
            batches.append(tuple(waiting))
            waiting, size = [], 0
    return [*batches, tuple(waiting)] if waiting else batches


def _work_of(strand: Strand) -> int:
    return COSTS[strand.depth] * len(strand.minutes) * (3 if strand.in_all_words else 1)


@contextmanager
def _workers(procedure: str, bound: Bound, count: int) -> Iterator[ProcessPoolExecutor | None]:
    """Start processes, which load the plan while the caller still thinks about what to try; None when one is enough."""
    if count == 1:
        yield None
        return
    # Started afresh, not forked: the caller may hold threads or an open database.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, context, _begin, (procedure, bound)) as pool:
        for _ in range(count):
            pool.submit(len, ())
        yield pool


def _worked(
    batches: Sequence[tuple[Strand, ...]], pool: ProcessPoolExecutor | None, prover: Prover
) -> Iterator[Worked]:
    if pool is None:
        yield from (_work(batch, prover) for batch in batches)
        return
    for done in as_completed([pool.submit(_work_here, batch) for batch in batches]):
        yield done.result()


def _work(batch: Sequence[Strand], prover: Prover) -> Worked:
    depths: dict[str, int] = {}
    ledger, tally = Ledger(), Tally()
    for strand in batch:
        found, counted = prover.strand_findings(strand)
        ledger.add(found.kept.values())
        tally.add(counted)
        depths[strand.depth] = depths.get(strand.depth, 0) + counted.cases
    return depths, tuple(ledger.kept.values()), tally


_here: list[Prover] = []
"""The prover of a worker process; it lives as long as the process."""


def _begin(procedure: str, bound: Bound) -> None:
    _here[:] = [Prover(PlanLibrary(bound.templates).get(procedure), bound.house)]
    search_seldom()


def _work_here(batch: Sequence[Strand]) -> Worked:
    return _work(batch, _here[0])
