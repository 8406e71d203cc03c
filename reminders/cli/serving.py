"""`reminders serve`: the pages, and what `reminders run` does, in one process."""

from __future__ import annotations

from contextlib import nullcontext

import click

from reminders.cli.log_lines import log_to_stderr
from reminders.cli.options import opened
from reminders.cli.terminal import line, warn


@click.command(
    epilog="""\b
Examples:
  reminders serve
  reminders serve --web-only --port 8421      (beside `reminders run`, or on another host)
""",
)
@click.option("--web-only", is_flag=True, help="Serve the pages and send nothing.")
@click.option("--port", type=click.IntRange(1, 65535), help="Another port than the configuration's.")
@click.pass_context
def serve(ctx: click.Context, web_only: bool, port: int | None) -> None:
    """Serve the pages of staff and patients, and send what is due, until Ctrl-C.

    Only this computer reaches them unless [web] in the configuration says otherwise.
    """
    app = opened(ctx)
    log_to_stderr()
    from reminders.web import serving  # noqa: PLC0415  a second that faulty input need not wait for

    if app.config.demo:
        warn("demo mode: plans need no approval; never with real patients")
    with nullcontext() if web_only else serving.alone(app.config.folder):
        runner = None
        if not web_only:
            dispatcher = app.dispatcher()
            ctx.call_on_close(dispatcher.close)
            runner = app.runner(dispatcher)
        line(f"{app.config.practice.name}: {app.config.web.base}  (Ctrl-C stops)")
        serving.serve(app, port=port or app.config.web.port, runner=runner)
    line("Stopped; nothing is in hand.")
