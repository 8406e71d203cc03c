"""Answers on a small local port: /metrics, /healthz (is it alive) and /readyz (can it work now)."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from socketserver import ThreadingMixIn
from types import TracebackType
from typing import TYPE_CHECKING, Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from reminders.errors import ConfigError

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIEnvironment


@dataclass(frozen=True, kw_only=True)
class Probe:
    """What a probe found: an empty `trouble` means that all is well."""

    trouble: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        """The HTTP status: 200, or 503 for whoever restarts or routes by it."""
        return 503 if self.trouble else 200

    @property
    def text(self) -> str:
        """One line of words for a person; it names no patient."""
        return ("; ".join(self.trouble) or "ok") + "\n"


@dataclass(frozen=True, kw_only=True)
class Probes:
    """What the port answers with."""

    alive: Callable[[], Probe]
    ready: Callable[[], Probe]
    metrics: Callable[[str], tuple[bytes, str]]
    """Given an Accept header, the figures and their media type."""


class Monitor:
    """The port, open while in use as a context."""

    def __init__(self, host: str, port: int, probes: Probes) -> None:
        """Open the port; 0 is any free one. Raises ConfigError when it can't be had."""
        self._probes = probes
        try:
            self._server = make_server(host, port, self._answer, server_class=_Server, handler_class=_Silent)
        except OSError as error:
            raise ConfigError(f"--monitor {host}:{port}: {error.strerror or error}") from error
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.2,), daemon=True, name="monitor")

    @property
    def port(self) -> int:
        """The port that was opened."""
        return int(self._server.server_port)

    def __enter__(self) -> Monitor:
        """Begin to answer."""
        self._thread.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        """Close the port."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def _answer(self, asked: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
        path, method = asked["PATH_INFO"], asked["REQUEST_METHOD"]
        probes: Mapping[str, Callable[[], Probe]] = {"/healthz": self._probes.alive, "/readyz": self._probes.ready}
        if method not in {"GET", "HEAD"}:
            status, body, media_type = "405 Method Not Allowed", b"only GET\n", "text/plain; charset=utf-8"
        elif path == "/metrics":
            status = "200 OK"
            body, media_type = self._probes.metrics(str(asked.get("HTTP_ACCEPT", "")))
        elif path in probes:
            found = probes[path]()
            status = "200 OK" if found.status == 200 else "503 Service Unavailable"
            body, media_type = found.text.encode(), "text/plain; charset=utf-8"
        else:
            status, body, media_type = "404 Not Found", b"there is nothing here\n", "text/plain; charset=utf-8"
        start(status, [("Content-Type", media_type), ("Content-Length", str(len(body))), ("Cache-Control", "no-store")])
        return [b"" if method == "HEAD" else body]


class _Server(ThreadingMixIn, WSGIServer):
    """One slow reader keeps no other waiting."""

    daemon_threads = True


class _Silent(WSGIRequestHandler):
    """A log of who looked at the figures is of no use to anybody."""

    timeout = 10

    def log_message(self, *_words: Any) -> None:
        """Say nothing."""
