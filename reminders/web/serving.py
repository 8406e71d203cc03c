"""Serves the pages and runs the recurring jobs in one process, once for each installation."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import uvicorn

from reminders.assembly import App
from reminders.delivery.runner import Runner
from reminders.errors import ConfigError
from reminders.web.app import web_app

LOCK_FILE = ".reminders-serve.lock"


@contextmanager
def alone(folder: Path) -> Iterator[IO[str]]:
    """Hold the installation's lock; ConfigError when another process has it. Given back even by a process that died."""
    path = folder / LOCK_FILE
    try:
        handle = path.open("a+", encoding="ascii")
    except OSError as error:
        raise ConfigError(f"{path} can't be written: {error.strerror}") from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            holder = handle.read().strip() or "unknown"
            raise ConfigError(
                f"`reminders serve` runs already for {folder} (process {holder}); stop that one first, "
                "or say --web-only --port N for more pages beside it"
            ) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield handle


def serve(app: App, *, port: int, runner: Runner | None) -> None:
    """Serve until a signal says stop; `runner` runs meanwhile and ends what it has in hand."""
    web = app.config.web
    config = uvicorn.Config(
        web_app(app),
        host=web.host,
        port=port,
        log_config=None,
        access_log=False,  # an address of a page may tell of a patient
        server_header=False,
        proxy_headers=True,
        forwarded_allow_ips=list(web.trusted_proxies),
        timeout_graceful_shutdown=5,
    )
    if runner is not None:
        runner.start()
    try:
        uvicorn.Server(config).run()
    finally:
        if runner is not None:
            runner.close()
