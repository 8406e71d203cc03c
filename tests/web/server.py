"""A real server of the pages on a free port of loopback, in a thread of the test's own process."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import httpx
import uvicorn
from fastapi import FastAPI

from reminders.assembly import App
from reminders.web.app import web_app
from reminders.web.serving import server_config
from tests.waiting import until


@dataclass(frozen=True, kw_only=True)
class Server:
    """A running server."""

    app: App
    pages: FastAPI
    base: str

    def browser(self) -> httpx.Client:
        """A program that keeps cookies, as a browser does, and follows no redirects by itself."""
        return httpx.Client(base_url=self.base, timeout=20)


@contextmanager
def serving(app: App, *, port: int = 0, dispatches: bool = False) -> Iterator[Server]:
    """Serve the pages of `app` until the block ends."""
    listener = socket.create_server(("127.0.0.1", port))
    pages = web_app(app, dispatches=dispatches)
    config = server_config(app, pages, port=port)
    config.timeout_graceful_shutdown = 1
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        until(lambda: server.started)
        yield Server(app=app, pages=pages, base=f"http://127.0.0.1:{listener.getsockname()[1]}")
    finally:
        pages.state.site.closing.set()  # streams that pages keep open end now
        server.should_exit = True
        thread.join(10)
        listener.close()
