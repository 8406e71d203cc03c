"""`reminders serve`: the pages, and what `reminders run` does, in one process."""

from __future__ import annotations

import logging
from contextlib import nullcontext

import click

from reminders.cli.log_lines import log_option, log_to_stderr
from reminders.cli.options import opened
from reminders.cli.running import log_report
from reminders.cli.terminal import line, warn
from reminders.words import gettext

_LOG = logging.getLogger(__name__)


@click.command(
    epilog="""\b
Examples:
  reminders serve
  reminders serve --web-only --port 8421      (beside `reminders run`, or on another host)
  reminders serve --log json
""",
)
@click.option("--web-only", is_flag=True, help="Serve the pages and send nothing.")
@click.option("--port", type=click.IntRange(1, 65535), help="Another port than the configuration's.")
@log_option
@click.pass_context
def serve(ctx: click.Context, web_only: bool, port: int | None, log: str) -> None:
    """Serve the pages of staff, and send what is due, until Ctrl-C.

    Only this computer reaches them unless [web] in the configuration says otherwise. With `--log json` what happens is
    told as events on stderr; no event holds a patient's name, number or words.
    """
    app = opened(ctx, works_by_itself=True)
    as_events = log == "json"
    log_to_stderr(as_json=as_events)
    from reminders.desk.settings_noted import note_settings  # noqa: PLC0415
    from reminders.desk.staff import first_link  # noqa: PLC0415
    from reminders.desk.stall import attend_to_stall  # noqa: PLC0415
    from reminders.web import serving  # noqa: PLC0415  a second that faulty input need not wait for

    note_settings(app.database, app.desk, app.config.model_dump(mode="json"))
    if app.config.demo and as_events:
        _LOG.warning("demo_mode")
    elif app.config.demo:
        warn(gettext("demo mode: plans need no approval; never with real patients"))
    with nullcontext() if web_only else serving.alone(app.config.folder):
        if web_only:
            runner = app.onlooker()
        else:
            attend_to_stall(app.database, app.desk)  # before anything is sent: then the heartbeat is fresh again
            dispatchers = app.dispatchers()
            for each in dispatchers:
                ctx.call_on_close(each.close)
            runner = app.runner(*dispatchers, tell=log_report)
        base = app.config.web.at_port(port)
        with app.database.writing() as session:
            token = first_link(session, app.desk)
        if not as_events:
            line(gettext("{practice}: {address}  (Ctrl-C stops)", practice=app.config.practice.name, address=base))
        if token is not None:
            link = f"{base}/staff/welcome/{token}"
            line(gettext("Nobody runs the pages yet. Open this once, within a day: {link}", link=link))
        _LOG.info("started", extra={"practice": app.config.practice.id, "sends": not web_only})
        serving.serve(app, port=port or app.config.web.port, runner=runner, dispatches=not web_only)
    _LOG.info("stopped", extra={"practice": app.config.practice.id})
    if not as_events:
        line(gettext("Stopped; nothing is in hand."))
