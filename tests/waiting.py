"""What tests need of other threads and processes: to wait until something happened, and a free port for them."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable


def until(happened: Callable[[], object], *, seconds: float = 60) -> None:
    """Wait for what another thread or process does; fails when it does not come."""
    deadline = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < deadline, "it never happened"
        time.sleep(0.01)


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port
