"""`reminders check`: proves that plans hold for every patient at every moment, and shows where they fall short."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bars

from reminders.assembly import assemble_for_preview
from reminders.cli.json_output import print_json
from reminders.cli.options import config_path, json_option
from reminders.cli.terminal import line
from reminders.desk.prove.findings import Finding, Severity
from reminders.desk.prove.run import Bound, Progress, Report, prove
from reminders.desk.prove.strands import Effort
from reminders.errors import InputError
from reminders.words import SOURCE_LANGUAGE, gettext, marked, ngettext, retold, shown, speaking

_BLOCKS = {
    "alone": marked("each instruction by itself, every value that moves it, at each minute where something turns"),
    "together": marked("whole courses with the most instructions: joining, the daily limit, what contradicts"),
    "kinds": marked("every selection of instructions and texts that any patient gets"),
    "words": marked("every text in all its forms, in each language and channel"),
}
_STYLES = {Severity.FAULT: "bold red", Severity.NOTICE: "yellow"}


@click.command(
    epilog="""\b
Examples:
  reminders check
  reminders check partial-nail-avulsion-chemical --json
""",
)
@click.argument("procedures", nargs=-1)
@click.option("--exhaustive", is_flag=True, help="Try every minute of the day, and the words of every kind of patient.")
@click.option("--quick", is_flag=True, help="Try few days, minutes and kinds of patients; for use while writing.")
@click.option("--processes", type=click.IntRange(1, 64), help="How many processes to use; else one per core.")
@json_option
@click.pass_context
def check(
    ctx: click.Context,
    procedures: tuple[str, ...],
    exhaustive: bool,
    quick: bool,
    processes: int | None,
    as_json: bool,
) -> None:
    """Prove that PROCEDURES hold, all when none is named: exit status 1 when one falls short.

    Every finding names file and line, the rule, and the smallest example, as a command that shows it.
    """
    if exhaustive and quick:
        raise InputError(gettext("say either --exhaustive or --quick"))
    if as_json:
        ctx.with_resource(speaking(SOURCE_LANGUAGE))
    effort = Effort.EXHAUSTIVE if exhaustive else Effort.QUICK if quick else Effort.FULL
    app, configured = assemble_for_preview(config_path(ctx))
    if not configured and not as_json:
        click.echo(gettext("No configuration here: an invented practice stands in."), err=True)
    bound = Bound(templates=app.config.templates_folder, house=app.house)
    names = procedures or app.library.names()
    if unknown := sorted(set(names) - set(app.library.names())):
        known = ", ".join(app.library.names()) or gettext("none")
        raise InputError(gettext("no procedure {unknown}; there are: {known}", unknown=", ".join(unknown), known=known))
    names = tuple(dict.fromkeys(names))
    if not quick and not as_json:
        _announce(len(names))
    reports = []
    for name in names:
        with _progress(name) as progress:
            reports.append(prove(name, bound, effort=effort, processes=processes, progress=progress))
        if not as_json:
            _show(reports[-1])
    if as_json:
        print_json([as_value(report) for report in reports])
    ctx.exit(0 if all(report.holds for report in reports) else 1)


def _announce(count: int) -> None:
    """Say at once what is going on: the first plan's figures come only when it is proved."""
    said = ngettext(
        "Proving {number} plan, which may take minutes; --quick tries less.",
        "Proving {number} plans, which may take minutes each; --quick tries less.",
        count,
    )
    click.echo(said, err=True)


def as_value(report: Report) -> dict[str, Any]:
    """Return a proof as plain values for JSON."""
    space = report.space
    return {
        "procedure": report.procedure,
        "holds": report.holds,
        "findings": [_finding_value(each) for each in report.findings],
        "languages": report.statuses,
        "cases": {str(block): number for block, number in report.cases.items()},
        "cases_run": sum(report.cases.values()),
        "cases_refused": report.refused,
        "stands_for": space and space.combinations,
        "kinds_of_patients": space and len(space.population.kinds),
        "all_factors_combined": space and space.population.complete,
        "selections": space and space.selections,
        "days": space and space.seasons,
        "seconds": round(report.seconds, 1),
        "processes": report.processes,
    }


def _finding_value(finding: Finding) -> dict[str, Any]:
    return {
        "severity": str(finding.severity),
        "rule": finding.rule,
        "file": str(finding.file),
        "line": finding.line,
        "subject": finding.subject,
        "message": finding.message,
        "example": finding.example and finding.example.command(),
        "cases": finding.seen,
    }


def _show(report: Report) -> None:
    for finding in report.findings:
        line(f"{_place(finding.file, finding.line)}: {finding.rule}", style=_STYLES[finding.severity])
        line(_indented(f"{finding.subject}: {retold(finding.message)}"))
        if finding.example is not None:
            line(f"    {finding.example.command()}", style="dim")
    faults = sum(each.severity is Severity.FAULT for each in report.findings)
    notices = len(report.findings) - faults
    holds = marked("{procedure} holds: {faults} faults, {notices} notices")
    falls_short = marked("{procedure} falls short: {faults} faults, {notices} notices")
    verdict = holds if report.holds else falls_short
    line(gettext(verdict, procedure=report.procedure, faults=faults, notices=notices), style="bold")
    for language, status in report.statuses.items():
        line("  " + gettext("texts in {language}: {status}", language=language, status=shown(status)))
    for text in _counts(report):
        line(_indented(text, by=2))


def _counts(report: Report) -> Iterator[str]:
    space = report.space
    if space is None:
        return
    run = sum(report.cases.values())
    kinds = len(space.population.kinds)
    yield gettext(
        "{run:,} enrollments tried, {refused:,} of them refused by the plan, in {seconds:.0f} s "
        "with {processes} processes; they stand for {combinations:.1e} combinations of facts",
        run=run,
        refused=report.refused,
        seconds=report.seconds,
        processes=report.processes,
        combinations=space.combinations,
    )
    all_at_once = marked(
        "{combinations:,} combinations of factors are {kinds:,} kinds of patients, as a "
        "factor counts only by the conditions that name it; they get {selections} selections of texts"
    )
    up_to_four = marked(
        "{combinations:,} combinations of factors are {kinds:,} kinds of patients (of up to four factors at once), "
        "as a factor counts only by the conditions that name it; they get {selections} selections of texts"
    )
    yield gettext(
        all_at_once if space.population.complete else up_to_four,
        combinations=space.population.combinations,
        kinds=kinds,
        selections=space.selections,
    )
    yield gettext("{days} days to begin on, those on which clocks change among them", days=space.seasons)
    for block, number in report.cases.items():
        yield f"{number:>9,}  {gettext(_BLOCKS[str(block)])}"


@contextmanager
def _progress(name: str) -> Iterator[Progress | None]:
    """Show how far a proof is, on stderr and only to a person who watches."""
    if not sys.stderr.isatty():
        yield None
        return
    columns: Sequence[Any] = (TextColumn(name), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(name, total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total)


def _place(file: Path, number: int) -> str:
    named = file
    if file.is_relative_to(Path.cwd()):
        named = file.relative_to(Path.cwd())
    return f"{named}:{number}" if number else str(named)


def _indented(text: str, by: int = 4) -> str:
    width = max(60, shutil.get_terminal_size().columns)
    return textwrap.fill(text, width, initial_indent=" " * by, subsequent_indent=" " * by)
