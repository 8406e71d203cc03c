"""`reminders run`: sends what is due, once or until it is stopped."""

from __future__ import annotations

from dataclasses import fields

import click

from reminders.assembly import App
from reminders.cli.faults import FELL_SHORT
from reminders.cli.json_output import print_json, print_json_line
from reminders.cli.log_lines import log_to_stderr
from reminders.cli.options import json_option, opened
from reminders.cli.terminal import as_text, line, warn
from reminders.delivery.report import DispatchReport

_WORDS = {
    "sent": "sent",
    "failed": "refused by the other side",
    "waits": "put off",
    "withheld": "withheld",
    "uncertain": "in doubt, staff were told",
    "resent": "in doubt, planned again",
    "recovered": "found in a dead worker's hands",
    "late": "settled too late by this worker",
}


@click.command(
    epilog="""\b
Examples:
  reminders run
  reminders run --once
  reminders run --json >> reports.jsonl
\b
Any number may run on one database; each message is in one worker's hands at a time.
""",
)
@click.option("--once", is_flag=True, help="Dispatch what is due now and leave.")
@json_option
@click.pass_context
def run(ctx: click.Context, once: bool, as_json: bool) -> int:
    """Send every message at its moment, until Ctrl-C or a termination signal.

    What is being handed over then is brought to its end. Prints a line whenever something happened.
    """
    app = opened(ctx)
    log_to_stderr()
    if app.config.demo:
        warn("demo mode: plans need no approval; never with real patients")
    dispatcher = app.dispatcher()
    ctx.call_on_close(dispatcher.close)
    if once:
        for job in app.desk_jobs():
            job.run()
        report = dispatcher.run_once()
        (print_json if as_json else _show)(_figures(report))
        return FELL_SHORT if report.failed or report.uncertain else 0
    runner = app.runner(dispatcher, tell=lambda report: _tell(app, report, as_json=as_json))
    if not as_json:
        line(f"Running for {app.config.practice.name}; Ctrl-C stops.")
    runner.run()
    if not as_json:
        line("Stopped; nothing is in hand.")
    return 0


def _tell(app: App, report: DispatchReport, *, as_json: bool) -> None:
    now = app.clock.now()
    if as_json:
        print_json_line({"at": as_text(now, app.config.zone), **_figures(report)})
    else:
        line(f"{now.astimezone(app.config.zone):%a %H:%M:%S}  {_in_words(_figures(report))}")


def _figures(report: DispatchReport) -> dict[str, int]:
    return {each.name: getattr(report, each.name) for each in fields(report)}


def _show(figures: dict[str, int]) -> None:
    line(_in_words(figures).capitalize() + ".")


def _in_words(figures: dict[str, int]) -> str:
    said = [f"{count} {_WORDS[name]}" for name, count in figures.items() if count]
    return ", ".join(said) or "nothing was due"
