"""Serves the pages and runs the recurring jobs in one process, once for each installation."""

from __future__ import annotations

import fcntl
import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from types import FrameType
from typing import IO

import uvicorn
from fastapi import FastAPI

from reminders.assembly import App
from reminders.delivery.runner import Runner
from reminders.errors import ConfigError
from reminders.sentences import english
from reminders.web.app import web_app
from reminders.web.site import Site

LOCK_FILE = ".reminders-serve.lock"


@contextmanager
def alone(folder: Path) -> Iterator[IO[str]]:
    """Hold the installation's lock; ConfigError when another process has it. Given back even by a process that died."""
    path = folder / LOCK_FILE
    try:
        handle = path.open("a+", encoding="ascii")
    except OSError as error:
        raise ConfigError(english("{file} can't be written: {why}").format(file=path, why=error.strerror)) from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            handle.seek(0)
            holder = handle.read().strip() or "unknown"
            raise ConfigError(
                english(
                    "`reminders serve` runs already for {folder} (process {holder}); stop that one first, or say "
                    "--web-only --port N for more pages beside it"
                ).format(folder=folder, holder=holder)
            ) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield handle


def serve(app: App, *, port: int, runner: Runner, dispatches: bool) -> None:
    """Serve until a signal says stop; `runner` runs meanwhile and ends what it has in hand.

    `dispatches` says that it sends what is due.
    """
    pages = web_app(app, dispatches=dispatches)
    site: Site = pages.state.site
    runner.start()
    Thread(target=site.keep_ready, name="keep-ready", daemon=True).start()
    try:
        _Server(server_config(app, pages, port=port), closing=site.closing, runner=runner).run()
    finally:
        runner.close()


def server_config(app: App, pages: FastAPI, *, port: int) -> uvicorn.Config:
    """Return how the pages are served: on which interface, and whose word about the caller's address is taken."""
    web = app.config.web
    return uvicorn.Config(
        pages,
        host=web.host,
        port=port,
        log_config=None,
        access_log=False,  # an address of a page may tell of a patient
        server_header=False,
        proxy_headers=True,
        forwarded_allow_ips=list(web.trusted_proxies),
        timeout_graceful_shutdown=5,
    )


class _Server(uvicorn.Server):
    """Ends on a signal and returns: uvicorn's own would raise it again, and kill what is in hand."""

    def __init__(self, config: uvicorn.Config, *, closing: Event, runner: Runner) -> None:
        super().__init__(config)
        self._closing = closing
        self._runner = runner

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        before = {number: signal.signal(number, self.handle_exit) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._runner.wind_down()  # no new batch while the last requests are answered
        await super().shutdown(sockets)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._closing.set()  # streams that pages keep open end now
        super().handle_exit(sig, frame)
