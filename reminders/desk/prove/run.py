"""Runs the proof of plans, in several processes where there is enough to do, and gathers what they find."""

from __future__ import annotations

import gc
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from pathlib import Path

from reminders.desk.composing import House
from reminders.desk.plans import PlanLibrary
from reminders.desk.prove.findings import Finding, Ledger, Severity, of_faults
from reminders.desk.prove.prover import Prover, Tally
from reminders.desk.prove.shrinking import shrunk
from reminders.desk.prove.strands import Depth, Effort, Space, Strand, space_of
from reminders.errors import PlanError

MOST_EXAMPLES = 60
"""Findings whose examples are made small; beyond that they are given as they were met."""

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
    try:
        prover = Prover(PlanLibrary(bound.templates).get(procedure), bound.house)
        ledger = Ledger()
        ledger.add(prover.plan_findings())
        space = space_of(prover.bench, prover.files, effort)
    except PlanError as error:
        return Report(procedure=procedure, findings=tuple(of_faults(error.faults)), seconds=time.monotonic() - began)
    count = processes or os.cpu_count() or 1
    cases: dict[str, int] = dict.fromkeys(Depth, 0)
    refused = 0
    total = sum(len(strand.minutes) for strand in space.strands)
    batches = _batches(space.strands, parts=12 * count)
    for depths, found, tally in _worked(procedure, bound, batches, count if total > 5000 else 1, prover):
        ledger.add(found)
        for depth, number in depths.items():
            cases[depth] += number
        refused += tally.refused
        if progress is not None:
            progress(sum(cases.values()), total)
    findings = [shrunk(each, prover) if at < MOST_EXAMPLES else each for at, each in enumerate(ledger.sorted())]
    return Report(
        procedure=procedure,
        findings=tuple(findings),
        cases=cases,
        refused=refused,
        space=space,
        statuses={language: str(prover.files.status(language)) for language in prover.plan.file.languages},
        seconds=time.monotonic() - began,
        processes=count if total > 5000 else 1,
    )


Worked = tuple[dict[str, int], tuple[Finding, ...], Tally]


def _batches(strands: Sequence[Strand], *, parts: int) -> list[tuple[Strand, ...]]:
    """Return the strands in about so many batches, like beside like, as their plans and texts are kept at hand."""
    total = sum(len(strand.minutes) for strand in strands)
    batches: list[tuple[Strand, ...]] = []
    waiting: list[Strand] = []
    size = 0
    for strand in strands:
        waiting.append(strand)
        size += len(strand.minutes)
        if size * parts >= total:
            batches.append(tuple(waiting))
            waiting, size = [], 0
    return [*batches, tuple(waiting)] if waiting else batches


def _worked(
    procedure: str, bound: Bound, batches: Sequence[tuple[Strand, ...]], processes: int, prover: Prover
) -> Iterator[Worked]:
    if processes == 1:
        yield from (_work(batch, prover) for batch in batches)
        return
    # Started afresh, not forked: the caller may hold threads or an open database.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, context, _begin, (procedure, bound)) as pool:
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
    gc.freeze()
    gc.set_threshold(100_000, 20, 100)  # cases leave little behind, and its search would take a tenth of the time


def _work_here(batch: Sequence[Strand]) -> Worked:
    return _work(batch, _here[0])
