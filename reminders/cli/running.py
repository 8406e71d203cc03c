"""`reminders run`: sends what is due, once or until it is stopped."""

from __future__ import annotations

import logging
from contextlib import ExitStack
from dataclasses import fields

import click

from reminders.assembly import App
from reminders.care.timing import as_text
from reminders.cli.faults import FELL_SHORT
from reminders.cli.json_output import print_json, print_json_line
from reminders.cli.log_lines import log_option, log_to_stderr
from reminders.cli.options import host_and_port, json_option, opened
from reminders.cli.terminal import line, warn
from reminders.delivery.monitor import Monitor
from reminders.delivery.report import DispatchReport
from reminders.delivery.runner import Runner
from reminders.delivery.supervisor import READY, tell_supervisor
from reminders.desk.settings_noted import note_settings
from reminders.desk.stall import attend_to_stall
from reminders.words import gettext, listed, marked, on_day

_LOG = logging.getLogger(__name__)
_WORDS = {
    "sent": marked("{count} sent"),
    "failed": marked("{count} refused by the other side"),
    "waits": marked("{count} put off"),
    "withheld": marked("{count} withheld"),
    "uncertain": marked("{count} in doubt, staff were told"),
    "resent": marked("{count} in doubt, planned again"),
    "recovered": marked("{count} found in a dead worker's hands"),
    "late": marked("{count} settled too late by this worker"),
}


@click.command(
    epilog="""\b
Examples:
  reminders run
  reminders run --once
  reminders run --json >> reports.jsonl
  reminders run --log json --monitor 127.0.0.1:9464
\b
Any number may run on one database; each message is in one worker's hands at a time. The port of --monitor answers
/metrics (OpenMetrics), /healthz (503: start it anew) and /readyz (503: it can't work now).
""",
)
@click.option("--once", is_flag=True, help="Dispatch what is due now and leave.")
@log_option
@click.option("--monitor", metavar="HOST:PORT", callback=host_and_port, help="A local port that tells how it stands.")
@json_option
@click.pass_context
def run(ctx: click.Context, once: bool, log: str, monitor: tuple[str, int] | None, as_json: bool) -> int:
    """Send every message at its moment, until Ctrl-C or a termination signal.

    What is being handed over then is brought to its end. Prints a line whenever something happened; with `--log json`
    that line is an event on stderr. No event holds a patient's name, number or words.
    """
    app = opened(ctx, works_by_itself=True)
    log_to_stderr(as_json=log == "json")
    if app.config.demo and log == "json":
        _LOG.warning("demo_mode")
    elif app.config.demo:
        warn(gettext("demo mode: plans need no approval; never with real patients"))
    note_settings(app.database, app.desk, app.config.model_dump(mode="json"))
    if once:
        dispatcher = app.dispatcher()
        ctx.call_on_close(dispatcher.close)
        for job in app.desk_jobs():
            job.run()
        report = dispatcher.run_once()
        (print_json if as_json else _show)(_figures(report))
        return FELL_SHORT if report.failed or report.uncertain else 0
    dispatchers = app.dispatchers()
    for each in dispatchers:
        ctx.call_on_close(each.close)
    attend_to_stall(app.database, app.desk)  # before anything is sent: then the heartbeat is fresh again
    runner = app.runner(*dispatchers, tell=lambda report: _tell(app, report, as_json=as_json, quietly=log == "json"))
    _run(app, runner, monitor, quietly=as_json or log == "json")
    return 0


def _run(app: App, runner: Runner, monitor: tuple[str, int] | None, *, quietly: bool) -> None:
    with ExitStack() as open_while_running:
        if monitor is not None:
            probes = app.watch.probes(app.transport_names(), lambda: runner.stopping)
            port = open_while_running.enter_context(Monitor(*monitor, probes)).port
            _LOG.info("monitor_open", extra={"port": port})
        if not quietly:
            line(gettext("Running for {practice}; Ctrl-C stops.", practice=app.config.practice.name))
        _LOG.info("started", extra={"practice": app.config.practice.id})
        tell_supervisor(READY)
        runner.run()
    _LOG.info("stopped", extra={"practice": app.config.practice.id})
    if not quietly:
        line(gettext("Stopped; nothing is in hand."))


def _tell(app: App, report: DispatchReport, *, as_json: bool, quietly: bool) -> None:
    figures = _figures(report)
    log_report(report)
    now = app.clock.now()
    if as_json:
        print_json_line({"at": as_text(now, app.config.zone), **figures})
    elif not quietly:
        at = on_day(now.astimezone(app.config.zone), "EEE HH:mm:ss")
        line(f"{at}  {_in_words(figures)}")


def log_report(report: DispatchReport) -> None:
    """Tell what one dispatch did, as an event."""
    _LOG.info("dispatched", extra={name: count for name, count in _figures(report).items() if count})


def _figures(report: DispatchReport) -> dict[str, int]:
    return {each.name: getattr(report, each.name) for each in fields(report)}


def _show(figures: dict[str, int]) -> None:
    line(_in_words(figures).capitalize() + ".")


def _in_words(figures: dict[str, int]) -> str:
    said = [gettext(_WORDS[name], count=count) for name, count in figures.items() if count]
    return listed(said) or gettext("nothing was due")
